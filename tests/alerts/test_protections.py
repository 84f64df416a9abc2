"""Treated aircraft in a turn: every report counts, what moves is told at once, and to whom."""

from __future__ import annotations

from dataclasses import replace
from datetime import time, timedelta

import pytest

from tests.treatment.aircraft import START, XNOR, at, report, shipped, treated
from watcher.alerts.listeners import Listeners
from watcher.alerts.model import Event, EventType, Policy, StationState, StationView, SubjectKind
from watcher.alerts.protections import Moved, move, owed_at_once
from watcher.alerts.subscribers import Hours, Recipient, Subscription
from watcher.reports.identity import text_hash
from watcher.reports.model import Observation, Report
from watcher.rulebook.words import Flag, Level, NoTime
from watcher.treatment.protection import Protection, Standing

DAY = Hours(time(8), time(20), "Europe/Oslo")
DESK = Recipient("desk", group_within=timedelta(seconds=20))


def heard(observation: Observation) -> Report:
    return Report(observation, text_hash(observation.raw), "world", observation.observed_at)


def view(latest: Observation | None = None, *, blind: bool = False) -> StationView:
    state = StationState("XNOR", blind_since=at(0) if blind else None)
    return StationView(XNOR, state, latest=heard(latest) if latest is not None else None)


def turn(protections: list[Protection], minutes: float, *news: Observation, seen: StationView | None = None) -> Moved:
    latest = max(news, key=lambda each: each.observed_at, default=None)
    found = seen if seen is not None else view(latest)
    return move(protections, {"XNOR": found}, {"XNOR": [heard(each) for each in news]}, shipped(), at(minutes))


def told(events: tuple[Event, ...], *subscriptions: Subscription, minutes: float = 8) -> list[str]:
    recipients = [DESK, Recipient("crew"), Recipient("ops")]
    found = owed_at_once(events, {"XNOR": view()}, Listeners(subscriptions, recipients), Policy(), at(minutes))
    return [each.destination for each in found]


def lost(minutes: float = 8) -> tuple[Event, ...]:
    return turn([treated()], minutes, report(minutes, "FZRA")).events


def test_freezing_rain_makes_one_event_for_each_aircraft_and_none_the_next_time() -> None:
    two = [replace(treated(), id="XNOR-P1"), replace(treated(), id="XNOR-P2", aircraft="HL-202")]
    moved = turn(two, 8, report(8, "FZRA"))
    assert [event.id for event in moved.events] == ["XNOR-P1.1", "XNOR-P2.1"]
    assert [event.subject_kind for event in moved.events] == [SubjectKind.PROTECTION] * 2
    body = moved.events[1].body
    assert body.headline == "XNOR HL-202: protection lost, no holdover time exists in this weather"
    assert (body.level, body.no_time, body.flag) == (Level.NO_TIME, NoTime.NONE, None)
    assert body.protection is not None
    assert body.protection.standing is Standing.NONE
    again = turn(list(moved.protections), 9, report(8, "FZRA"))
    assert again == Moved()


def test_a_shortened_protection_says_how_many_minutes_it_had_and_has() -> None:
    (event,) = turn([treated(report(-22, "", visibility="9999"))], 8, report(8)).events
    assert event.type is EventType.SHORTENED
    assert event.body.headline == "TRAINING XNOR HL-101: protection shortened to 0542Z, 22 min left (no limit before)"
    assert event.body.until == START + timedelta(minutes=30)
    assert event.body.level is Level.TREAT
    assert "By the report of 0520Z, the worst since the final application." in event.body.why
    assert event.body.protection is not None
    assert event.body.protection.training


def test_every_report_of_a_turn_counts_not_only_the_latest() -> None:
    (event,) = turn([treated()], 30, report(8, "FZRA"), report(28)).events
    assert event.type is EventType.LOST
    assert event.body.raw == report(28).raw, "the message shows the report of now"
    assert "By the report of 0520Z" in event.body.why


def test_an_aircraft_at_a_station_that_is_blind_or_not_watched_has_no_minutes() -> None:
    (blind,) = turn([treated()], 8, seen=view(report(-22), blind=True)).protections
    assert blind.blind
    (unwatched,) = move([treated()], {}, {}, shipped(), at(8)).protections
    assert unwatched.blind
    (seeing,) = turn([blind], 10, report(8)).protections
    assert not seeing.blind


def test_time_alone_moves_a_clock() -> None:
    (event,) = turn([treated()], 31, seen=view(report(-22))).events
    assert (
        event.body.headline == "TRAINING XNOR HL-101: protection lost, past the lower end of the holdover time at 0542Z"
    )
    assert event.body.level is Level.TREAT


def test_ice_pellets_leave_the_allowance_time_and_say_so() -> None:
    (event,) = turn([treated()], 8, report(8, "-PL")).events
    assert event.type is EventType.LOST
    assert event.body.no_time is NoTime.ALLOWANCE
    assert "no holdover time, allowance time until" in event.body.headline
    (protection,) = turn([treated()], 8, report(8, "-PL")).protections
    (over,) = turn([protection], 120, seen=view(report(8, "-PL"))).events
    assert "past the allowance time at" in over.body.headline


def test_a_report_that_is_dated_far_ahead_is_of_no_time_that_is_known() -> None:
    assert turn([treated()], 8, report(60, "FZRA")).events == ()
    assert turn([treated()], 40, report(60, "FZRA")).events != (), "a clock may run a little ahead"


def test_heavy_snow_is_lost_but_for_a_special_approval() -> None:
    (event,) = turn([treated()], 8, report(8, "+SN", visibility="0400")).events
    assert event.body.no_time is NoTime.SPECIAL
    assert event.body.headline == "XNOR HL-101: protection lost, no take-off in this weather without a special approval"


def test_what_the_crew_saw_is_named_as_the_crews() -> None:
    entered = replace(treated().seen[0], weather=("FZRA",), by_crew=True, first_at=at(3), last_at=at(3))
    (event,) = turn([replace(treated(), seen=(*treated().seen, entered))], 8, report(8)).events
    assert "By the crew of 0515Z" in event.body.why


def test_all_who_follow_the_station_are_told_alone_and_at_once() -> None:
    found = list(
        owed_at_once(
            lost(),
            {"XNOR": view()},
            Listeners(
                [Subscription("north", ("desk", "crew")), Subscription("all", ("desk",))], [DESK, Recipient("crew")]
            ),
            Policy(),
            at(8),
        )
    )
    assert [each.destination for each in found] == ["crew", "desk"], "each once"
    assert {each.group_within for each in found} == {None}
    assert {each.told_as for each in found} == {EventType.LOST}
    assert len({each.id for each in found}) == 2
    assert {each.subject_id for each in found} == {"XNOR-P1"}


def test_a_message_of_a_shorter_clock_is_worth_nothing_past_its_end() -> None:
    shortened = turn([treated(report(-22, "", visibility="9999"))], 8, report(8)).events
    listeners = Listeners([Subscription("all", ("desk",))], [DESK])
    (one,) = owed_at_once(shortened, {"XNOR": view()}, listeners, Policy(), at(8))
    assert one.valid_until == at(30)
    (other,) = owed_at_once(lost(), {"XNOR": view()}, listeners, Policy(), at(8))
    assert other.valid_until == at(8) + Policy().valid_for


@pytest.mark.parametrize(
    ("subscription", "expected"),
    [
        (Subscription("a", ("desk",), stations=frozenset({"XNOR"})), ["desk"]),
        (Subscription("a", ("desk",), stations=frozenset({"XBAY"})), []),
        (Subscription("a", ("desk",), flags=frozenset({Flag.FROST_LIKELY}), min_level=Level.NO_TIME), ["desk"]),
        (Subscription("a", ("desk",), hours=DAY), ["desk"]),
        (Subscription("a", ("desk",), hours=DAY, no_time_ignores_hours=False), []),
        (Subscription("a", ("desk",), quiet=Hours(time(0), time(7), "Europe/Oslo"), no_time_ignores_hours=False), []),
        (Subscription("a", ("desk",), quiet=DAY, no_time_ignores_hours=False), ["desk"]),
        (Subscription("a", ("desk",), only_digest=True), []),
        (Subscription("a", ("desk",), paused=True), []),
    ],
)
def test_hours_hold_back_only_where_the_subscription_says_so(subscription: Subscription, expected: list[str]) -> None:
    """At 0520Z it is 0620 in Oslo."""
    assert told(lost(), subscription) == expected
