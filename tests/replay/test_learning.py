"""What columns teach is what rows teach, to the last bit; and what a real year of reports teaches, with its gaps.

Data: MET Norway, tafmetar API, Bodo (ENBO) 2024, CC BY 4.0 (tests/data/SOURCES.md).
"""

from __future__ import annotations

import gzip
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.alerts.habit_words import habits_file, habits_in_file
from watcher.alerts.habits import Heard
from watcher.alerts.habits import learn as learn_rows
from watcher.alerts.model import Policy, StationState
from watcher.alerts.sight import margin, usual_gap
from watcher.replay.decoding.frames import observed_frame
from watcher.replay.learning import habits_of, learn
from watcher.replay.table import OBSERVED
from watcher.reports.decode import decode_report
from watcher.reports.model import Observation

UNTIL = datetime(2026, 1, 20, 0, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
COMMON = Path(__file__).parent.parent / "data" / "reports" / "reports-common.txt.gz"
_COLUMNS = ("station", "observed_at", "received_at", "order", "kind", "auto", "nil", "in_force")
Row = tuple[str, int, int | None, str, bool, bool, bool]


def frame_of(rows: list[Row]) -> pl.LazyFrame:
    made = [
        {
            "station": station,
            "observed_at": UNTIL - ago * MINUTE,
            "received_at": UNTIL - (ago - late) * MINUTE if late is not None else None,
            "order": order,
            "kind": kind,
            "auto": auto,
            "nil": nil,
            "in_force": in_force,
        }
        for order, (station, ago, late, kind, auto, nil, in_force) in enumerate(rows)
    ]
    return pl.LazyFrame(made, schema={name: OBSERVED[name] for name in _COLUMNS})


def heard(rows: list[Row], station: str) -> list[Heard]:
    return [
        Heard(UNTIL - ago * MINUTE, UNTIL - (ago - late) * MINUTE if late is not None else None, auto, kind == "METAR")
        for code, ago, late, kind, auto, nil, in_force in rows
        if code == station and not nil and in_force
    ]


rows_drawn = st.lists(
    st.tuples(
        st.sampled_from(["XNOR", "XBAY"]),
        st.integers(-30, 12 * 24 * 60),
        st.none() | st.integers(-20, 400),
        st.sampled_from(["METAR", "METAR", "SPECI"]),
        st.booleans(),
        st.sampled_from([False, False, False, True]),
        st.sampled_from([True, True, True, False]),
    ),
    max_size=250,
)


@given(rows=rows_drawn)
def test_columns_teach_what_rows_teach(rows: list[Row]) -> None:
    found = habits_of(frame_of(rows), UNTIL)
    expected = {code: learn_rows(heard(rows, code), UNTIL) for code in ("XBAY", "XNOR")}
    assert found == {code: habits for code, habits in expected.items() if habits is not None}


def winter(station: str, *, late: int = 4) -> list[Row]:
    """Return forty regular days: half-hourly from 05Z to 22Z, automatic before 08Z."""
    return [
        (station, day * 1440 - hour * 60 - minute, late + (day + hour) % 7, "METAR", hour < 8, False, True)
        for day in range(1, 41)
        for hour in range(5, 22)
        for minute in (20, 50)
    ]


def test_a_long_archive_teaches_the_same_in_both_ways_and_comes_back_from_its_file() -> None:
    rows = winter("XNOR") + winter("XBAY", late=30)
    found = habits_of(frame_of(rows), UNTIL)
    assert found == {code: learn_rows(heard(rows, code), UNTIL) for code in ("XBAY", "XNOR")}
    assert (found["XNOR"].days, found["XNOR"].silent_spans(), found["XNOR"].automatic_spans()) == (
        40,
        ((22, 5),),
        ((5, 8),),
    )
    again = habits_in_file(habits_file(found, "an invented winter"))
    policy = Policy(habits=again)
    assert again["XNOR"].silent_spans() == ((22, 5),)
    assert (margin("XNOR", policy), margin("XBAY", policy)) == (timedelta(minutes=15), timedelta(minutes=41))


def test_days_are_counted_back_from_the_midnight_after_the_newest_report_unless_told_otherwise() -> None:
    rows = winter("XNOR")
    assert learn(frame_of(rows)).equals(learn(frame_of(rows), UNTIL))


def test_an_archive_without_reports_teaches_nothing() -> None:
    empty = learn(frame_of([]))
    assert empty.height == 0
    assert habits_of(frame_of([])) == {}
    assert set(empty.columns) >= {"station", "days", "hours"}


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "no JSON"),
        ("[" * 100_000, "no JSON"),
        ("[]", "no habits"),
        ('{"habits": 2, "stations": {}}', "no habits"),
        ('{"habits": 1, "stations": {"XNOR": {}}}', "station XNOR: hours are 24 objects"),
    ],
)
def test_a_file_that_is_none_is_refused_in_words(text: str, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        habits_in_file(text)


def bodo() -> list[tuple[Observation, datetime | None, int]]:
    entries = []
    for order, line in enumerate(gzip.decompress(COMMON.read_bytes()).decode().splitlines()):
        source, stamp, text = line.rstrip("\n").split("\t")
        at = datetime.fromisoformat(stamp)
        if source == "met-no-ENBO-2024":
            decoded = decode_report(text, received_at=at, kind=None, observed_at=at, second_reader=False)
            if isinstance(decoded, Observation):
                entries.append((decoded, None, order))
    return entries


def test_a_selection_of_a_year_teaches_little_and_what_it_teaches_makes_nobody_wait_longer() -> None:
    """The set holds the icy reports of Bodo and a sample of the others, and no times of receipt.

    Bodo reports half-hourly at all hours. From this selection that cannot be seen: most gaps are longer than they were.
    What follows for blindness is bounded: an hour at most, and the set margin, since nothing is known of lateness.
    """
    entries = bodo()
    frame = observed_frame(entries).lazy()
    habits = habits_of(frame)["ENBO"]
    usable = [
        Heard(row["observed_at"], row["received_at"], row["auto"], row["kind"] == "METAR")
        for row in frame.filter(~pl.col("nil"), pl.col("in_force")).collect().iter_rows(named=True)
    ]
    until = max(row.observed_at for row in usable).replace(hour=0, minute=0) + timedelta(days=1)
    assert habits == learn_rows(usable, until), "equal in rows and in columns on the whole set"
    assert habits.days > 300
    assert habits.late_p50_min is None
    assert habits.silent_spans() == (), "some day has an icy report at each hour"
    assert all(hour.gap_min is not None and hour.gap_min > 60 for hour in habits.hours)
    policy = Policy(habits={"ENBO": habits})
    for hour in range(24):
        last = datetime(2025, 1, 7, hour, 20, tzinfo=UTC)
        state = StationState("ENBO", cadence_min=30.0, last_report_at=last)
        assert usual_gap(state, policy) <= timedelta(minutes=60)
    assert margin("ENBO", policy) == policy.blind_margin
