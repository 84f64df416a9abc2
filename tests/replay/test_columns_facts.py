"""The facts in columns are those that the judgement makes of each report as it is heard, all of them, on every report."""

from __future__ import annotations

from collections import Counter
from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.alerts.scenes import MIDNIGHT, XNOR
from tests.replay.live import live_facts, open_frame, real_positions
from tests.replay.winters import Winter, observed, positions
from watcher.physics.sun import SUNRISE_ELEVATION_DEG, sun_elevation_deg
from watcher.replay.columns.facts import ADDED, reported_columns, with_facts
from watcher.replay.columns.light import sun_elevation
from watcher.replay.columns.names import INTERVALS, NEVER_KNOWN, column_of, enter_column, keep_column
from watcher.replay.columns.verdicts import facts_of, with_verdicts
from watcher.replay.decoding.frames import observed_frame
from watcher.replay.table import OBSERVED
from watcher.reports.decode import decode_report
from watcher.reports.model import Observation
from watcher.reports.station import Station
from watcher.rulebook.facts import FACTS, Facts
from watcher.rulebook.words import Kind
from watcher.service.rules_folder import load_rulebook

# Sums of the same series in another order; far below what any threshold can tell.
SAME_ELEVATION_DEG = 1e-9


def differences(columns: pl.DataFrame, facts: dict[int, Facts | None], rules=()) -> Counter[str]:
    """Count by name where a column says otherwise than the judgement."""
    found: Counter[str] = Counter()
    for row in columns.iter_rows(named=True):
        made = facts[row["order"]]
        found["heard"] += row["heard"] is not (made is not None)
        if made is None:
            continue
        for spec in FACTS:
            found[spec.name] += not same(spec.name, made.values.get(spec.name), row[column_of(spec.name)])
        for name in INTERVALS:
            found[f"{name} interval"] += made.intervals.get(name, (None, None)) != (
                row[f"{name}_low"],
                row[f"{name}_high"],
            )
        for rule in rules:
            verdict = rule.when.judge(made)
            said = row[enter_column(rule.name)], row[keep_column(rule.name)]
            found[rule.name] += (verdict.enter, verdict.keep) != said
    return +found


def same(name: str, live: object, column: object) -> bool:
    if name == "sun_elevation_deg" and live is not None and column is not None:
        return abs(live - column) < SAME_ELEVATION_DEG
    return live == (frozenset(column.split()) if isinstance(live, frozenset) and column is not None else column)


def test_every_report_of_the_open_sets_has_the_facts_and_verdicts_of_the_live_path():
    """METAR 2014 of the world and Bodø 2024 with history, and the edge cases: sources in tests/data/SOURCES.md."""
    frame = open_frame()
    places, rules = real_positions(frame), load_rulebook().of_kind(Kind.OBSERVED)
    columns = with_verdicts(with_facts(frame.lazy(), places), rules).collect()
    assert columns.height > 10_000
    assert columns["heard"].sum() > 9_890
    assert not differences(columns, dict(live_facts(frame, places)), rules)


def test_an_invented_winter_with_reports_that_come_late_has_the_facts_of_the_live_path():
    winter = Winter(stations=4, days=20, received=True)
    frame, places = observed(winter), positions(winter)
    columns = with_facts(frame.lazy(), places).collect()
    assert not columns["heard"].all()
    assert not differences(columns, dict(live_facts(frame, places)))


WEATHER = [
    "",
    "",
    "-FZDZ",
    "-SN",
    "+SN",
    "RA",
    "-RASN",
    "UP",
    "FZFG",
    "//",
    "BR",
    "VCSH",
    "-PL",
    "SNX",
    "-SN FZX",
    "RAX",
]
TEMPERATURES = ["06/M02", "M02/M06", "02/00", "M01/M01", "00/M00", "///", "04/01", "M02///", "M13/M15"]
REMARKS = ["", "", " RMK AO1", " RMK AO2 FZRANO", " RMK AO2 PWINO", " RMK AO2 I1001 SNE20", " RMK AO2 FZRAB05E45 UPE50"]
RECENT = ["", "", "", " REFZRA", " RERA", " RESN REBLSN", " RETS"]
ONE = st.tuples(
    st.integers(0, 900),
    st.integers(-50, 900),
    st.sampled_from(WEATHER),
    st.sampled_from(TEMPERATURES),
    st.sampled_from(["", "AUTO "]),
    st.sampled_from(["", "", "COR "]),
    st.sampled_from(REMARKS),
    st.sampled_from(RECENT),
)


def heard(drawn) -> pl.DataFrame:
    """Reports of two stations as drawn: observed and received when, with weather, temperatures and remarks."""
    entries = []
    for order, (minute, lag, weather, temperatures, auto, correction, remarks, recent) in enumerate(drawn):
        at = MIDNIGHT + timedelta(minutes=minute)
        station = "XNOR" if order % 3 else "XBAY"
        body = f"00000KT 2500 {weather} OVC006 {temperatures} Q1010{recent}{remarks}"
        text = f"{station} {at:%d%H%M}Z {correction}{auto}{body}"
        received_at = at + timedelta(minutes=lag)
        seen = decode_report(text, received_at=received_at, observed_at=at)
        assert isinstance(seen, Observation)
        entries.append((seen, received_at, order))
    return observed_frame(entries)


@given(st.lists(ONE, min_size=1, max_size=25))
def test_late_early_corrected_and_repeated_reports_have_the_facts_of_the_live_path(drawn):
    frame = heard(drawn)
    places = {"XNOR": XNOR}
    columns = with_facts(frame.lazy(), places).collect()
    assert not differences(columns, dict(live_facts(frame, places)))


@pytest.mark.parametrize("rule", load_rulebook().of_kind(Kind.OBSERVED), ids=lambda rule: rule.name)
def test_the_facts_of_one_rule_are_made_from_what_they_need_alone(rule):
    winter = Winter(stations=1, days=5, seed=3)
    frame, places = observed(winter), positions(winter)
    asked = facts_of([rule])
    fewer = with_facts(frame.lazy().select(reported_columns(asked)), places, asked)
    whole = with_facts(frame.lazy(), places)
    names = (enter_column(rule.name), keep_column(rule.name))
    assert (
        with_verdicts(fewer, [rule])
        .select(names)
        .collect()
        .equals(with_verdicts(whole, [rule]).select(names).collect())
    )


def test_every_fact_of_the_table_has_a_column():
    columns = {*OBSERVED, *ADDED}
    assert [spec.name for spec in FACTS if column_of(spec.name) not in columns] == []


def test_the_frost_models_facts_are_unknown_and_nothing_that_was_reported_is_lost():
    winter = Winter(stations=1, days=2)
    frame = observed(winter)
    columns = with_facts(frame.lazy(), positions(winter)).collect()
    assert columns.select(sorted(NEVER_KNOWN)).null_count().row(0) == (frame.height,) * len(NEVER_KNOWN)
    assert columns.select(OBSERVED.keys()).equals(frame)


def test_a_station_without_a_position_has_no_light_and_the_worse_snow():
    """Canadian chart of 2003, 1500 m at -3 degrees: light by day is moderate by night (watcher.rulebook.snow)."""
    seen = decode_report("METAR XNOR 121150Z 04006KT 1500 -SN OVC006 M03/M04 Q1017", received_at=MIDNIGHT)
    frame = observed_frame([(seen, None, 0)]).lazy()
    nowhere, somewhere = (with_facts(frame, places).collect() for places in ({}, {"XNOR": XNOR}))
    assert (nowhere["is_night"].item(), somewhere["is_night"].item()) == (None, False)
    assert (nowhere["snow_intensity"].item(), somewhere["snow_intensity"].item()) == ("heavy", "moderate")


@given(
    st.floats(-89, 89),
    st.floats(-180, 180),
    st.datetimes(
        min_value=MIDNIGHT.replace(year=1990, tzinfo=None), max_value=MIDNIGHT.replace(year=2060, tzinfo=None)
    ),
)
def test_the_sun_of_a_column_stands_where_that_of_one_report_stands(latitude, longitude, time):
    at = time.replace(tzinfo=MIDNIGHT.tzinfo)
    station = Station("XNOR", latitude_deg=latitude, longitude_deg=longitude)
    column = sun_elevation(pl.Series(["XNOR"]), pl.Series([at]), {"XNOR": station})
    assert column.item() == pytest.approx(sun_elevation_deg(latitude, longitude, at), abs=SAME_ELEVATION_DEG)


def test_day_and_night_change_at_the_same_moment_in_a_column():
    """Within a microsecond of sunset the scalar formula decides."""
    low, high = MIDNIGHT + timedelta(hours=12), MIDNIGHT + timedelta(hours=18)

    def is_dark(at):
        return sun_elevation_deg(XNOR.latitude_deg, XNOR.longitude_deg, at) < SUNRISE_ELEVATION_DEG

    while high - low > timedelta(microseconds=1):
        middle = low + (high - low) / 2
        low, high = (low, middle) if is_dark(middle) else (middle, high)
    times = [low + timedelta(microseconds=step) for step in range(-40, 41)]
    column = sun_elevation(pl.Series(["XNOR"] * len(times)), pl.Series(times), {"XNOR": XNOR})
    dark = (column < SUNRISE_ELEVATION_DEG).to_numpy()
    assert np.array_equal(dark, [is_dark(at) for at in times])
    assert 0 < dark.sum() < len(dark)
