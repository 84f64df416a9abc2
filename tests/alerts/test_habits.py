"""What is learned of a station, and what that may change: when blindness is said and with which words, never whether.

Outside check: the percentiles are those of numpy (`inverted_cdf`, the nearest rank).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.alerts.habit_words import habit_sentences, habits_as_json, habits_from_json, silence_now
from watcher.alerts.habits import DAYS_NEEDED, Habits, Heard, Hour, learn
from watcher.alerts.judge import judge
from watcher.alerts.model import EventType, Policy, StationState, StationView
from watcher.alerts.sight import is_blind, margin, patience, usual_gap
from watcher.feeds.model import RawReport
from watcher.reports.station import Station
from watcher.service.receiving import report_of
from watcher.service.rules_folder import load_rulebook

UNTIL = datetime(2026, 1, 20, 0, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


def days_of(
    times: Callable[[int], Iterable[tuple[int, int]]], days: int = 7, late_min: float = 4.0, auto: bool = False
) -> list[Heard]:
    """Return routine reports at these hours and minutes of each of the days before `UNTIL`."""
    made = []
    for day in range(days, 0, -1):
        for hour, minute in times(day):
            at = UNTIL - timedelta(days=day) + timedelta(hours=hour, minutes=minute)
            made.append(Heard(at, at + late_min * MINUTE, auto or hour < 5 or hour >= 20, True))
    return made


def half_hourly_by_day(_day: int) -> list[tuple[int, int]]:
    return [(hour, minute) for hour in range(24) for minute in ((20, 50) if 5 <= hour < 20 else (20,))]


def closed_at_night(_day: int) -> list[tuple[int, int]]:
    return [(hour, minute) for hour in range(5, 22) for minute in (20, 50)]


def habits_of(rows: Iterable[Heard]) -> Habits:
    habits = learn(rows, UNTIL)
    assert habits is not None
    return habits


def state(last: datetime, cadence_min: float | None = 30.0) -> StationState:
    return StationState("XNOR", cadence_min=cadence_min, last_report_at=last)


def with_habits(habits: Habits) -> Policy:
    return Policy(habits={"XNOR": habits})


def test_a_station_is_known_by_its_hours_its_lateness_and_when_it_is_automatic() -> None:
    habits = habits_of(days_of(half_hourly_by_day))
    assert (habits.days, habits.reports, habits.known) == (7, 7 * 39, True)
    assert (habits.late_p50_min, habits.late_p90_min, habits.late_p99_min) == (4.0, 4.0, 4.0)
    # From 19:50 the next comes at 20:20; only from 20:20 on it takes an hour.
    assert [habits.hours[hour].gap_min for hour in (3, 4, 12, 19, 20)] == [60.0, 60.0, 30.0, 30.0, 60.0]
    assert habits.automatic_spans() == ((20, 5),)
    assert habits.silent_spans() == ()
    assert habits.usual_spans() == ((0, 24),)
    assert "every 30 min to 1 h, by the hour of the day" in " ".join(habit_sentences(habits))


def test_before_a_whole_week_nothing_is_known_and_nothing_changes() -> None:
    habits = habits_of(days_of(closed_at_night, days=DAYS_NEEDED - 1, late_min=1.0))
    assert not habits.known
    policy, plain = with_habits(habits), Policy()
    for hour in range(24):
        last = UNTIL + timedelta(hours=hour, minutes=20)
        assert patience(state(last), policy) == patience(state(last), plain)
        assert silence_now(habits, last) is None
    assert habit_sentences(habits) == ("Its habits are not known yet: reports of 6 of 7 days have been heard.",)
    assert habit_sentences(None) == ("Its habits are not known yet: reports of 0 of 7 days have been heard.",)


def test_an_evening_on_which_reports_become_hourly_is_no_blindness() -> None:
    """Without the habit the 20:20 report would be held to half an hour: blind at 21:15, though the next comes 21:20."""
    policy = with_habits(habits_of(days_of(half_hourly_by_day)))
    evening = state(UNTIL + timedelta(hours=20, minutes=20))
    at = UNTIL + timedelta(hours=21, minutes=18)
    assert is_blind(evening, Policy(), at)
    assert not is_blind(evening, policy, at)


def test_a_morning_on_which_reports_become_half_hourly_is_watched_as_closely() -> None:
    policy = with_habits(habits_of(days_of(half_hourly_by_day)))
    morning = state(UNTIL + timedelta(hours=5, minutes=20), cadence_min=60.0)
    at = UNTIL + timedelta(hours=6, minutes=10)
    assert not is_blind(morning, Policy(), at)
    assert is_blind(morning, policy, at)


def test_a_punctual_station_is_called_blind_earlier_and_a_late_one_later_within_bounds() -> None:
    policy = Policy()
    for late_min, expected in ((1.0, 12.5), (10.0, 15.0), (33.0, 38.0), (120.0, 50.0)):
        habits = habits_of(days_of(half_hourly_by_day, late_min=late_min))
        assert margin("XNOR", with_habits(habits)) == timedelta(minutes=expected)
    assert margin("XBAY", policy) == policy.blind_margin


def test_one_very_late_report_of_a_hundred_makes_nobody_wait_for_it() -> None:
    rows = days_of(half_hourly_by_day)
    rows[100] = replace(rows[100], received_at=rows[100].observed_at + 89 * MINUTE)
    habits = habits_of(rows)
    assert habits.late_p99_min == 4.0


def test_what_came_together_waited_for_us_and_says_nothing_of_the_station() -> None:
    """After a standstill an hour's reports come at once; the newest tells how late it is, the others how long we stood."""
    rows = days_of(half_hourly_by_day)
    back = rows[-1].observed_at + 4 * MINUTE
    rows[-40:] = [replace(row, received_at=back) for row in rows[-40:]]
    assert habits_of(rows).late_p99_min == 4.0


def test_a_station_silent_by_habit_is_blind_at_the_same_minute_and_the_words_say_that_it_is_a_habit() -> None:
    """No message must mean no icing: who reads at 23Z is told that nobody sees the station, and why."""
    habits = habits_of(days_of(closed_at_night, late_min=20.0))
    assert habits.silent_spans() == ((22, 5),)
    assert habit_sentences(habits) == (
        "Learned from 238 reports of 7 days.",
        "It usually reports 05-22Z, every 30 min.",
        "It is usually silent 22-05Z: blind then, not free of ice.",
        "Nine of ten of its reports are here 20 min after the observation.",
        "It is usually automatic 20-22Z.",
    )
    last = UNTIL + timedelta(hours=21, minutes=50)
    policy = with_habits(habits)
    assert patience(state(last), policy) == patience(state(last), Policy())
    assert is_blind(state(last), policy, UNTIL + timedelta(hours=23))
    text = f"METAR XNOR {last:%d%H%M}Z 24008KT 9999 FEW020 M02/M03 Q1004"
    report = report_of(RawReport(text), "world", last + 4 * MINUTE)
    view = StationView(Station("XNOR", "Northby", "NO", 60.2, 11.1, 210.0, "Europe/Oslo"), StationState("XNOR"))
    (seen,) = judge({"XNOR": view}, [report], [], {}, rulebook=load_rulebook(), policy=policy, now=last + 4 * MINUTE)
    later = last + patience(seen.after.state, policy) + MINUTE
    (change,) = judge({"XNOR": seen.after}, [], [], {}, rulebook=load_rulebook(), policy=policy, now=later)
    (event,) = change.events
    assert event.type is EventType.BLIND
    assert event.body.headline == "XNOR blind: no usable report since 2150Z; usually silent 22-05Z"
    assert "that is its habit, and says nothing of ice" in event.body.why
    (unknown,) = judge({"XNOR": seen.after}, [], [], {}, rulebook=load_rulebook(), policy=Policy(), now=later)
    assert unknown.events[0].body.headline == "XNOR blind: no usable report since 2150Z"


def test_silence_in_an_hour_in_which_it_usually_reports_is_said_without_excuse() -> None:
    habits = habits_of(days_of(closed_at_night))
    assert silence_now(habits, UNTIL + timedelta(hours=21, minutes=59)) is None
    assert silence_now(habits, UNTIL + timedelta(hours=22)) == "22-05Z"
    assert silence_now(habits, UNTIL + timedelta(hours=28, minutes=59)) == "22-05Z"
    assert silence_now(habits, UNTIL + timedelta(hours=5)) is None


def test_a_closed_sunday_is_no_habit_of_its_hours() -> None:
    habits = habits_of(days_of(lambda day: [] if day == 3 else closed_at_night(day), days=8))
    assert habits.days == 7, "a day without any report teaches nothing: it may have been ours"
    assert habits.silent_spans() == ((22, 5),)


times = st.lists(
    st.tuples(st.integers(0, 9 * 24 * 60), st.none() | st.integers(-10, 400), st.booleans(), st.booleans()),
    min_size=1,
    max_size=300,
)


def rows_of(drawn: list[tuple[int, int | None, bool, bool]]) -> list[Heard]:
    rows = []
    for ago, late, auto, routine in drawn:
        at = UNTIL - ago * MINUTE
        rows.append(Heard(at, at + late * MINUTE if late is not None else None, auto, routine))
    return rows


@given(drawn=times, cadence=st.none() | st.floats(10, 180), hour=st.integers(0, 23), margin_min=st.integers(1, 120))
def test_no_habit_makes_anybody_wait_longer_than_an_hour_and_twice_the_margin_nor_silences_anything(
    drawn: list[tuple[int, int | None, bool, bool]], cadence: float | None, hour: int, margin_min: int
) -> None:
    habits = learn(rows_of(drawn), UNTIL)
    policy = Policy(blind_margin=timedelta(minutes=margin_min), habits={"XNOR": habits} if habits is not None else {})
    plain = replace(policy, habits={})
    last = UNTIL + timedelta(hours=hour)
    of = state(last, cadence)
    longest = max(usual_gap(of, plain), timedelta(minutes=60)) + 2 * policy.blind_margin
    assert policy.blind_margin / 2 <= margin("XNOR", policy) <= 2 * policy.blind_margin
    assert patience(of, policy) <= longest
    assert is_blind(of, policy, last + longest + MINUTE)


@given(drawn=times)
def test_the_order_in_which_reports_are_given_changes_nothing(
    drawn: list[tuple[int, int | None, bool, bool]],
) -> None:
    distinct = list({row[0]: row for row in drawn}.values())
    assert learn(rows_of(distinct), UNTIL) == learn(rows_of(distinct[::-1]), UNTIL)


@given(values=st.lists(st.integers(0, 180), min_size=100, max_size=400))
def test_percentiles_are_those_of_another_library(values: list[int]) -> None:
    rows = [
        Heard(UNTIL - (number + 1) * 7 * MINUTE, UNTIL - (number + 1) * 7 * MINUTE + late * MINUTE, False, True)
        for number, late in enumerate(values)
    ]
    received = [row.received_at for row in rows]
    if len(set(received)) < len(received):
        rows = [
            replace(row, received_at=row.received_at + timedelta(microseconds=number))
            for number, row in enumerate(rows)
            if row.received_at is not None and row.received_at - row.observed_at < timedelta(hours=3)
        ]
    habits = habits_of(rows)
    if habits.late_p50_min is None:
        return
    late = [(row.received_at - row.observed_at) / MINUTE for row in rows if row.received_at is not None]
    for percent, found in ((50, habits.late_p50_min), (90, habits.late_p90_min), (99, habits.late_p99_min)):
        assert found == pytest.approx(np.percentile(late, percent, method="inverted_cdf"), abs=1e-9)


def test_habits_are_kept_as_json_and_read_again() -> None:
    habits = habits_of(days_of(half_hourly_by_day))
    assert habits_from_json(json.loads(json.dumps(habits_as_json(habits)))) == replace(
        habits,
        hours=tuple(
            replace(hour, auto=round(hour.auto, 4) if hour.auto is not None else None) for hour in habits.hours
        ),
    )


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"hours": []}, "hours are 24 objects"),
        ({"days": -1}, "days is a whole number"),
        ({"days": True}, "days is a whole number"),
        ({"late_p99_min": "soon"}, "late_p99_min is a number"),
        ({"late_p99_min": float("nan")}, "late_p99_min is a number"),
        ({"begins_at": "yesterday"}, "begins_at is a time"),
        ({"hours": [{"reported": 8}] * 24}, "reported is a whole number from 0 to 7"),
    ],
)
def test_a_file_that_holds_no_habits_is_refused_in_words(change: dict[str, object], why: str) -> None:
    values = habits_as_json(habits_of(days_of(half_hourly_by_day)))
    with pytest.raises(ValueError, match=why):
        habits_from_json({**values, **change})


def test_without_a_report_there_is_nothing_to_learn() -> None:
    assert learn([], UNTIL) is None
    assert learn([Heard(UNTIL, None, False, True)], UNTIL) is None
    assert habits_of([Heard(UNTIL - MINUTE, None, True, False)]).hours[23] == Hour(1, None, 1.0)
