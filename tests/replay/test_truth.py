"""What the reports tell afterwards: onsets, ends, and the times in which nobody could see."""

from __future__ import annotations

import re
from datetime import timedelta

import polars as pl
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from tests.replay.own_frames import BEGIN, hourly, reports
from tests.reports.open_data import common_reports
from watcher.replay import phenomena
from watcher.replay.decoding.frames import decoded_frame
from watcher.replay.phenomena import PROOFS, UNPROVABLE, Phenomenon, states, with_groups
from watcher.replay.truth import READ, happenings, onsets, seen, sights, told_at
from watcher.reports.decode import decode_report
from watcher.reports.model import Observation
from watcher.rulebook.observed import observed_facts
from watcher.rulebook.words import Flag
from watcher.stations import StationTable

SNOW = Phenomenon.SNOW


def hour(number: float):
    return BEGIN + timedelta(hours=number)


def told(words: str, phenomenon: Phenomenon = SNOW, **options: int):
    frame = happenings(seen(reports(hourly(words))), phenomenon, **options)
    return [
        ((began - BEGIN) / timedelta(hours=1), None if ended is None else (ended - BEGIN) / timedelta(hours=1), known)
        for began, ended, known in frame.select("began_at", "ended_at", "onset_seen").rows()
    ]


def test_an_onset_is_the_first_report_with_it_three_hours_after_the_last():
    """Breaks of one snowfall are one weather: only what comes three hours after the last report of it begins anew."""
    assert told(". . . -SN -SN . -SN . . SN .") == [(3, 7, True), (9, 10, True)]


def test_how_long_it_must_be_away_can_be_chosen():
    assert told(". . . -SN . -SN . .", apart_min=60) == [(3, 4, True), (5, 6, True)]


def test_a_gap_before_it_makes_the_onset_unseen_and_never_nothing():
    """Nobody saw when it began; it is told, and nobody is measured by it."""
    assert told(". . . . ? ? ? ? -SN -SN .") == [(8, 10, False)]


def test_at_the_beginning_of_an_archive_no_onset_is_seen():
    assert told("-SN . . .") == [(0, 1, False)]


def test_its_end_is_not_known_where_sight_is_lost():
    assert told(". . . -SN ? ? ? ?") == [(3, None, True)]


def test_weather_that_cannot_be_observed_is_no_sight():
    """`//` is not "no snow": it parts the time like a missing report."""
    assert told(". . / / / . -SN .") == [(6, 7, False)]
    found = sights(seen(reports(hourly(". . / / / . .")).select(pl.all())), SNOW)
    assert found.select("sight_from", "sight_until").rows() == [(hour(0), hour(1)), (hour(5), hour(6))]


def test_one_missing_report_of_a_half_hourly_station_is_a_gap_and_one_of_an_hourly_one_as_well():
    """A station is held to its own cadence and the margin of the live judgement: 30 + 25, 60 + 25 minutes."""
    half = hourly(". . . . . . . . ? . . .", every=30)
    assert len(sights(seen(reports(half)), SNOW)) == 2
    late = [*hourly(". . . . . ."), {"at": 5 * 60 + 84}, {"at": 5 * 60 + 84 + 86}]
    assert len(sights(seen(reports(late)), SNOW)) == 2


def test_a_superseded_report_tells_nothing_and_the_last_of_one_time_counts():
    rows = [*hourly(". . . ."), {"at": 240, "weather": "SN", "in_force": False}, {"at": 240}, {"at": 300}]
    assert happenings(seen(reports(rows)), SNOW).is_empty()
    two = [*hourly(". . . ."), {"at": 240}, {"at": 240, "weather": "SN"}]
    assert told_at(seen(reports(two)), SNOW).get_column("at").to_list() == [hour(4)]


def test_a_report_without_content_is_a_missing_one():
    rows = [*hourly(". . . ."), {"at": 240, "nil": True}, {"at": 300, "weather": "SN"}]
    assert happenings(seen(reports(rows)), SNOW).get_column("onset_seen").to_list() == [False]


def test_stations_do_not_see_for_each_other():
    rows = hourly(". . . SN") + hourly("SN . . .", station="XBAY")
    found = happenings(seen(reports(rows)), SNOW).select("station", "began_at", "onset_seen").rows()
    assert found == [("XBAY", hour(0), False), ("XNOR", hour(3), True)]


@pytest.mark.parametrize(
    ("weather", "temp_c", "proves"),
    [
        ("-FZDZ", -1.0, {Phenomenon.PRECIPITATION, Phenomenon.FREEZING}),
        ("FZFG", -4.0, {Phenomenon.FOG}),
        ("FG", -4.0, {Phenomenon.FOG}),
        ("FG", 4.0, set()),
        ("MIFG", -4.0, set()),
        ("PL", -1.0, {Phenomenon.PRECIPITATION, Phenomenon.PELLETS}),
        ("UP", -1.0, {Phenomenon.PRECIPITATION, Phenomenon.PELLETS}),
        ("UP", 12.0, set()),
        ("BLSN", -8.0, {SNOW}),
        ("VCSH", -8.0, set()),
        ("-RASN BR", 1.0, {Phenomenon.PRECIPITATION, SNOW}),
        ("-RA", 1.0, set()),
    ],
)
def test_each_weather_proves_what_it_is(weather: str, temp_c: float, proves: set[Phenomenon]):
    """WMO-No. 306, code table 4678: FZ for fog below zero; UP is unknown, and rain when it is warm."""
    found = seen(reports([{"at": 0, "weather": weather, "temp_c": temp_c}])).rows
    assert {phenomenon for phenomenon in Phenomenon if found.item(0, phenomenon.value)} == proves


def test_a_sensor_for_freezing_rain_that_is_off_hides_freezing_rain_and_not_snow():
    """FMH-1, 12.7.2: FZRANO says that freezing rain is not reported."""
    rows = [{"at": 0, "freezing_rain_sensor_off": True, "freezing_or_frozen": None}]
    found = seen(reports(rows)).rows
    assert found.select(Phenomenon.FREEZING.value, SNOW.value).row(0) == (None, False)


def test_no_flag_is_forgotten_and_those_of_frost_are_proved_by_no_report():
    assert set(PROOFS) | set(UNPROVABLE) == set(Flag)
    assert {Flag.FROST_LIKELY, Flag.FROZEN_RESIDUAL_WATER, Flag.COLD_SOAKED_WING} == set(UNPROVABLE)


CHANGED = {
    "as sent": lambda text: text,
    "a freezing group that cannot be read": lambda text: TEMPERATURE.sub(r" -FZRX\g<0>", text, count=1),
    "snow beside a group that cannot be read": lambda text: TEMPERATURE.sub(r" -SN -FZRX\g<0>", text, count=1),
    "sensor off, in doubt": lambda text: with_remark(TIME.sub(r"\1", text, count=1), "FZRANO"),
    "sensor off beside a group that cannot be read": lambda text: with_remark(
        TEMPERATURE.sub(r" -FZRX\g<0>", text, count=1), "FZRANO"
    ),
    "sensor of another kind": lambda text: with_remark(text.replace("Z ", "Z AUTO ", 1).partition(" RMK")[0], "AO1"),
}
TEMPERATURE = re.compile(r" M?\d\d/(M?\d\d|//)?(?= |$)")
TIME = re.compile(r"\b(\d{6})Z")


def with_remark(text: str, remark: str) -> str:
    return text.replace(" RMK ", f" RMK {remark} ", 1) if " RMK " in text else f"{text} RMK {remark}"


@pytest.mark.parametrize("change", CHANGED)
def test_what_real_reports_tell_is_what_the_facts_of_rules_say(change: str):
    """The 9,901 reports of the open sets (tests/data/reports): freezing and frozen as `observed_facts` has them."""
    table = StationTable.load()
    entries, facts = [], []
    for number, sent in enumerate(common_reports()):
        text = CHANGED[change](sent.text)
        decoded = decode_report(text, received_at=sent.received_at, second_reader=change == "as sent")
        if isinstance(decoded, Observation):
            entries.append((decoded, sent.received_at, number))
            values = observed_facts(
                decoded, station=table.get(decoded.station), history=(), now=sent.received_at
            ).values
            facts.append((values["freezing_precipitation"], values["frozen_precipitation"]))
    frame = with_groups(decoded_frame(entries).lazy().select(READ))
    told_by = states()
    frozen = phenomena._told(pl.col("frozen_falls"), phenomena._blind())
    found = frame.select(told_by[Phenomenon.FREEZING].alias("freezing"), frozen.alias("frozen")).collect().rows()
    assert len(found) > 9000
    apart = [
        (entry[0].raw, told, fact) for entry, told, fact in zip(entries, found, facts, strict=True) if told != fact
    ]
    assert apart == []


@pytest.mark.parametrize(
    ("body", "freezing", "snow", "pellets"),
    [
        ("120550 AUTO 00000KT 5SM BR OVC010 M01/M02 A2990 RMK AO2 FZRANO", None, False, False),
        ("120550Z 00000KT 5000 -SN -FZRX OVC010 M01/M02 Q1010", None, True, None),
        ("120550Z 00000KT 5000 -SN OVC010 M01/M02 Q1010", False, True, False),
    ],
)
def test_only_a_group_that_may_freeze_and_was_not_read_hides_what_falls(
    body: str, freezing: bool | None, snow: bool | None, pellets: bool | None
):
    """A time without Z is a doubt of the time alone: it hides nothing."""
    decoded = decode_report(f"METAR XNOR {body}", received_at=hour(6))
    assert isinstance(decoded, Observation)
    frame = decoded_frame([(decoded, hour(6), 0)]).with_columns(in_force=True)
    found = seen(frame.lazy().select(READ)).rows.select(Phenomenon.FREEZING.value, SNOW.value, Phenomenon.PELLETS.value)
    assert found.row(0) == (freezing, snow, pellets)


@given(st.lists(st.sampled_from([".", "-SN", "?", "/"]), min_size=1, max_size=40), st.sampled_from([60, 120, 180, 300]))
def test_onsets_are_those_that_a_walk_from_report_to_report_finds(words: list[str], apart_min: int):
    """The plainest way of all: look back from each report with snow."""
    rows = hourly(" ".join(words))
    assume(rows)
    whole = seen(reports(rows))
    allowed = whole.rows.item(0, "allowed")
    times = [60 * number for number, word in enumerate(words) if word in {".", "-SN"}]
    snow = [60 * number for number, word in enumerate(words) if word == "-SN"]
    expected = []
    for at in snow:
        if any(0 < at - earlier < apart_min for earlier in snow):
            continue
        back = at
        while earlier := [time for time in times if 0 < back - time <= allowed]:
            back = min(earlier)
        expected.append((at, at - back >= apart_min))
    found = happenings(whole, SNOW, apart_min=apart_min)
    shown = [
        ((began - BEGIN) / timedelta(minutes=1), known)
        for began, known in found.select("began_at", "onset_seen").rows()
    ]
    assert shown == expected


def test_all_phenomena_are_told_together():
    found = onsets(seen(reports(hourly(". . . -FZRA FZFG ."))))
    assert found.get_column("phenomenon").to_list() == [
        Phenomenon.PRECIPITATION.value, Phenomenon.FREEZING.value, Phenomenon.FOG.value,
    ]  # fmt: skip
