"""What would have been told in a past week is what was told: the same weeks, lived minute by minute and looked back on.

Weeks are invented from seeds and judged by the small rulebook. In the lived ones `tell` is asked at every turn, as the
watcher does it; hours, reminders and digests fall on whole turns, so that both must agree to the second.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from pathlib import Path
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.alerts.scenes import report, small_book
from tests.chosen import database_at
from watcher.alerts.changes import Changes, StationChange
from watcher.alerts.judge import judge, withdraw_station
from watcher.alerts.listeners import Listeners
from watcher.alerts.model import (
    Acknowledgement,
    Event,
    EventBody,
    EventType,
    Phase,
    Policy,
    StationState,
    StationView,
    SubjectKind,
)
from watcher.alerts.outbox import NewDelivery
from watcher.alerts.preview import Preview, PreviewDigest, PreviewMessage, preview
from watcher.alerts.subscribers import Circle, Hours, Recipient, Subscription
from watcher.alerts.tell import after_telling, tell
from watcher.reports.station import Station
from watcher.rulebook.words import Flag, Kind, Level
from watcher.store.store import Store

BOOK = small_book()
POLICY = Policy()
HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)
STATIONS = {
    "XFEL": Station("XFEL", "Felside", "CA", 47.60, -52.70, 140.0, "America/St_Johns"),
    "XMOR": Station("XMOR", "Moorend", "NO", 59.10, 10.20, 30.0, "Europe/Oslo"),
    "XNOR": Station("XNOR", "Northby", "NO", 60.20, 11.10, 210.0, "Europe/Oslo"),
}
# Summer time begins at 01:00 UTC on the last Sunday of March and ends at 01:00 UTC on the last Sunday of October.
# Directive 2000/84/EC of the European Parliament and of the Council, articles 2 and 3.
SPRING, AUTUMN = datetime(2026, 3, 27, 12, tzinfo=UTC), datetime(2026, 10, 23, 12, tzinfo=UTC)
WEATHER = ("BR", "-FZDZ", "-FZRA", "FZRA", "-SN", "//")
TEMPERATURES = ("05/M02", "02/00", "M01/M01", "M00/M03", "///")
TAF_CHANGES = ("", "TEMPO {a}/{b} 3000 -FZDZ", "PROB30 TEMPO {a}/{b} 2000 FZRA", "BECMG {a}/{b} FZDZ")


@dataclass(frozen=True)
class Turn:
    """One turn of the watcher: when, what changed, and how the stations stood afterwards."""

    at: datetime
    changes: tuple[StationChange, ...]
    views: tuple[StationView, ...]


@dataclass
class Weather:
    """A station's reports and forecasts: moods that last some hours, silences, a TAF every six hours and other times an hour later."""

    code: str
    random: Random
    mood: tuple[str, str] = ("BR", "05/M02")
    silent_until: datetime | None = None
    change: str = ""

    def texts(self, now: datetime) -> Iterator[str]:
        if now.minute % 30 == 20 and (self.silent_until is None or now >= self.silent_until):
            if self.random.random() < 0.25:
                self.mood = self.random.choice(WEATHER), self.random.choice(TEMPERATURES)
            if self.random.random() < 0.03:
                self.silent_until = now + self.random.choice((2, 4, 9)) * HOUR
            weather, temperatures = self.mood
            yield f"{self.code} {now - 5 * MINUTE:%d%H%M}Z 00000KT 3000 {weather} OVC006 {temperatures} Q1010"
        if now.minute == 0 and now.hour % 6 in {5, 0}:
            begin = now + self.random.randint(1, 9) * HOUR
            end = begin + self.random.randint(1, 5) * HOUR
            if now.hour % 6 == 5:
                self.change = self.random.choice(TAF_CHANGES)
            change = self.change.format(a=f"{begin:%d%H}", b=f"{end:%d%H}")
            valid = f"{now:%d%H}/{now + 24 * HOUR:%d%H}"
            yield f"TAF {self.code} {now:%d%H%M}Z {valid} 00000KT 9999 OVC020 {change}".strip()


@cache
def lived(begin: datetime, hours: int, every_min: int, seed: int) -> tuple[Turn, ...]:
    """Return the turns of some days at three stations, one of which is removed towards the end."""
    random = Random(seed)
    weather = [Weather(code, Random(random.random())) for code in STATIONS]
    views = {code: StationView(station, StationState(code)) for code, station in STATIONS.items()}
    turns: list[Turn] = []
    taken = 0
    for minute in range(0, hours * 60, every_min):
        now = begin + minute * MINUTE
        open_now = [episode for view in views.values() for episode in view.episodes if episode.opened_at is not None]
        acknowledgements = []
        if open_now and random.random() < every_min / 120:
            taken += 1
            acknowledgements.append(Acknowledgement(taken, random.choice(open_now).id, "ramp", "", now))
        reports = [report(text, now) for station in weather for text in station.texts(now) if station.code in views]
        made = judge(views, reports, acknowledgements, rulebook=BOOK, policy=POLICY, now=now)
        views.update((change.station, change.after) for change in made)
        removed = views.get("XFEL")
        if removed is not None and minute > hours * 50 and removed.state.blind_since is None and not made:
            end = withdraw_station(views.pop("XFEL"), rulebook=BOOK, now=now)
            made = (end,) if end is not None else ()
        turns.append(Turn(now, made, tuple(views.values())))
    return tuple(turns)


def events_of(turns: Sequence[Turn]) -> list[Event]:
    return [event for turn in turns for change in turn.changes for event in change.events]


@dataclass
class Told:
    """What was really owed, turn by turn."""

    deliveries: list[NewDelivery] = field(default_factory=list)
    digests: list[PreviewDigest] = field(default_factory=list)


def really_told(turns: Sequence[Turn], listeners: Listeners, store: Store | None = None) -> Told:
    told: dict[tuple[str, str], object] = {}
    found = Told()
    for turn in turns:
        args = {"rulebook": BOOK, "policy": POLICY, "now": turn.at}
        telling = tell(turn.changes, turn.views, listeners, told, **args)
        told = after_telling(told, telling.deliveries, turn.changes)
        made = {event.id: event.body for event in telling.digests}
        for item in telling.deliveries:
            if item.told_as is EventType.DIGEST:
                body = made[item.event_id]
                subjects = sum(1 + len(line.also) for line in body.lines)
                found.digests.append(PreviewDigest(item.destination, turn.at, len(body.lines), subjects, body.level))
            else:
                found.deliveries.append(item)
        if store is not None and (telling.deliveries or turn.changes):
            kept = tuple(change for change in turn.changes if not change.quiet)
            store.commit(Changes(turn.at, kept, telling.deliveries, telling.digests))
    return found


def looked_back(
    subscriptions: Sequence[Subscription],
    recipients: Sequence[Recipient],
    events: Sequence[Event],
    begin: datetime,
    until: datetime,
) -> Preview:
    return preview(
        subscriptions, recipients, events, stations=STATIONS.__getitem__, begin=begin, until=until, policy=POLICY
    )


def lines_of(messages: Sequence[PreviewMessage]) -> list[tuple[object, ...]]:
    return [
        (message.destination, message.at, item.told_as, item.event.id, item.level, item.repeat)
        for message in messages
        for item in message.items
    ]


def lines_owed(deliveries: Sequence[NewDelivery], begin: datetime) -> list[tuple[object, ...]]:
    return [
        (item.destination, item.made_at, item.told_as, item.event_id, item.level, item.repeat)
        for item in deliveries
        if item.made_at >= begin
    ]


NIGHT = Hours(time(22), time(6), "Europe/Oslo")
DAY = Hours(time(5, 30), time(17), "America/St_Johns")
PLAIN = Subscription("desk", ("desk",), min_level=Level.NOTE)
DESK = replace(PLAIN, remind_every=45 * MINUTE)
WEEKLY = (
    DESK,
    Subscription("ramp", ("ramp", "desk"), countries=frozenset({"NO"}), quiet=NIGHT, remind_every=20 * MINUTE),
    Subscription(
        "crew",
        ("crew",),
        stations=frozenset({"XNOR", "XFEL"}),
        flags=frozenset({Flag.FREEZING_PRECIPITATION}),
        min_level=Level.TREAT,
        hours=DAY,
        no_time_ignores_hours=False,
        digest_at=(time(6), time(16, 45)),
        zone="America/St_Johns",
    ),
    Subscription("board", ("board",), only_digest=True, digest_at=(time(2, 30),), zone="Europe/Oslo"),
    Subscription("away", ("crew",), circles=(Circle(59.5, 10.5, 130.0),), hours=NIGHT, min_level=Level.NO_TIME),
)
EVERYBODY = tuple(Recipient(name) for name in ("desk", "ramp", "crew", "board"))


@pytest.mark.parametrize("begin", [SPRING, AUTUMN])
def test_a_past_week_with_a_change_of_the_clocks_is_told_as_it_was_told_minute_by_minute(begin):
    turns = lived(begin, 7 * 24, 1, seed=7)
    told = really_told(turns, Listeners(WEEKLY, EVERYBODY))
    start, until = begin + 6 * HOUR, begin + 7 * 24 * HOUR
    found = looked_back(WEEKLY, EVERYBODY, events_of(turns), start, until)
    assert lines_of(found.messages) == lines_owed(told.deliveries, start)
    assert sorted(found.digests, key=str) == sorted((item for item in told.digests if item.at >= start), key=str)
    kinds = {item.told_as for message in found.messages for item in message.items}
    of_stations = {each for each in EventType if each.startswith(("icing.episode", "icing.station"))}
    assert kinds >= of_stations, "the week has some of everything"
    assert {item.destination for item in found.digests} == {"crew", "board"}


DIGESTS = {"digest_at": tuple(time(hour, 30) for hour in range(24)), "zone": "UTC"}
TIMES = st.builds(time, st.integers(0, 23), st.sampled_from((0, 10, 30, 50)))
ZONES = st.sampled_from(("Europe/Oslo", "America/St_Johns", "UTC", "Asia/Kolkata"))
SOME_HOURS = st.none() | st.builds(Hours, TIMES, TIMES, ZONES)
NAMES = ("desk", "ramp", "crew")
SUBSCRIPTIONS = st.builds(
    Subscription,
    name=st.just(""),
    destinations=st.lists(st.sampled_from(NAMES), min_size=1, unique=True).map(tuple),
    stations=st.none() | st.frozensets(st.sampled_from(tuple(STATIONS))),
    countries=st.frozensets(st.sampled_from(("NO", "CA"))),
    flags=st.none() | st.frozensets(st.sampled_from((Flag.DEICING_LIKELY, Flag.NO_HOLDOVER)), min_size=1),
    min_level=st.sampled_from(Level),
    hours=SOME_HOURS,
    quiet=SOME_HOURS,
    no_time_ignores_hours=st.booleans(),
    digest_at=st.lists(TIMES, max_size=2).map(tuple),
    zone=st.none() | ZONES,
    only_digest=st.booleans(),
    remind_every=st.none() | st.sampled_from((20 * MINUTE, 90 * MINUTE)),
    paused=st.sampled_from((False, False, False, True)),
)


@given(
    made=st.lists(SUBSCRIPTIONS, min_size=1, max_size=4),
    closed=st.sampled_from(("", "", "crew")),
    begin=st.sampled_from((SPRING, AUTUMN)),
    seed=st.integers(1, 3),
)
def test_whoever_asks_is_shown_what_they_would_have_been_told(made, closed, begin, seed):
    """Turns of ten minutes, to which every hour and reminder drawn here belongs."""
    subscriptions = [replace(item, name=str(number)) for number, item in enumerate(made)]
    recipients = [Recipient(name, open=name != closed) for name in NAMES]
    turns = lived(begin, 48, 10, seed)
    told = really_told(turns, Listeners(subscriptions, recipients))
    start, until = begin + 2 * HOUR, begin + 48 * HOUR
    found = looked_back(subscriptions, recipients, events_of(turns), start, until)
    assert lines_of(found.messages) == lines_owed(told.deliveries, start)
    assert sorted(found.digests, key=str) == sorted((item for item in told.digests if item.at >= start), key=str)


def test_days_looked_at_one_by_one_are_the_week_looked_at_as_one():
    turns = lived(SPRING, 7 * 24, 1, seed=7)
    events = events_of(turns)
    whole = looked_back(WEEKLY, EVERYBODY, events, SPRING, SPRING + 7 * 24 * HOUR)
    days = [
        looked_back(WEEKLY, EVERYBODY, events, SPRING + n * 24 * HOUR, SPRING + (n + 1) * 24 * HOUR) for n in range(7)
    ]
    assert [message for day in days for message in day.messages] == list(whole.messages)
    assert sorted((digest for day in days for digest in day.digests), key=str) == sorted(whole.digests, key=str)
    assert [day.warm_up for day in days] == [max(n * 24 * HOUR - (events[0].at - SPRING), 0 * HOUR) for n in range(7)]


def test_what_shares_a_message_is_what_shared_one_in_the_outbox(tmp_path: Path):
    """The real store groups what was really owed: by nothing, 20 seconds, 25 minutes and no time at all."""
    windows = (None, timedelta(seconds=20), 25 * MINUTE, timedelta())
    recipients = [replace(item, group_within=within) for item, within in zip(EVERYBODY, windows, strict=True)]
    subscriptions = [
        replace(DESK, name=item.name, destinations=(item.name,), remind_every=20 * MINUTE, **DIGESTS)
        for item in EVERYBODY
    ]
    turns = lived(AUTUMN, 48, 10, seed=2)
    store = Store.open(database_at(tmp_path / "past.db"))
    try:
        really_told(turns, Listeners(subscriptions, recipients), store)
        sent = store.deliveries(limit=10_000)
    finally:
        store.close()
    found = looked_back(subscriptions, recipients, events_of(turns), AUTUMN, AUTUMN + 48 * HOUR)
    expected = [
        (item.destination, item.due_at, [(line.event_id, line.told_as, line.level, line.repeat) for line in item.told])
        for item in sent
        if item.told[0].told_as is not EventType.DIGEST and item.due_at < AUTUMN + 48 * HOUR
    ]
    shown = [
        (
            message.destination,
            message.at,
            [(item.event.id, item.told_as, item.level, item.repeat) for item in message.items],
        )
        for message in found.messages
    ]
    assert sorted(shown, key=str) == sorted(expected, key=str)
    sizes = {name: max(len(told) for whom, _, told in shown if whom == name) for name in ("desk", "ramp", "crew")}
    assert sizes["desk"] == 1 < sizes["ramp"] < sizes["crew"]


def said(clock: datetime, subject: str, seq: int, type_: EventType, level: Level | None = None, **fields) -> Event:
    """Return an event as it stands in the store."""
    body = EventBody("XNOR", "Northby", "Europe/Oslo", f"{subject} {type_.value}", "why", "next", level=level, **fields)
    if level is None:
        return Event(SubjectKind.STATION, "XNOR", seq, type_, clock, body)
    body = replace(body, flag=Flag.SNOW, kind=Kind.OBSERVED, phase=Phase.PRESENT, begins_at=clock)
    return Event(SubjectKind.EPISODE, subject, seq, type_, clock, body)


def z(text: str) -> datetime:
    return datetime.fromisoformat(f"2026-{text}:00+00:00")


def short(found: Preview) -> list[tuple[datetime, str]]:
    return [(message.at, item.told_as.value.rsplit(".", 1)[1]) for message in found.messages for item in message.items]


def test_an_end_without_a_beginning_is_told_to_nobody_and_a_rise_without_one_is_an_opening():
    events = [
        said(z("01-12 06:00"), "XNOR-1", 4, EventType.CLOSED, Level.TREAT),
        said(z("01-12 06:00"), "XNOR", 8, EventType.SEEING),
        said(z("01-12 07:00"), "XNOR-2", 2, EventType.RAISED, Level.TREAT, previous_level=Level.PREPARE),
        said(z("01-12 08:00"), "XNOR-2", 3, EventType.CLOSED, Level.TREAT),
    ]
    found = looked_back([PLAIN], EVERYBODY, events, z("01-12 00:00"), z("01-13 00:00"))
    assert short(found) == [(z("01-12 07:00"), "opened"), (z("01-12 08:00"), "closed")]
    assert found.warm_up == timedelta()


def test_what_was_open_before_is_known_when_the_events_reach_back_that_far():
    events = [
        said(z("01-10 06:00"), "XNOR-1", 1, EventType.OPENED, Level.PREPARE),
        said(z("01-12 07:00"), "XNOR-1", 2, EventType.RAISED, Level.TREAT, previous_level=Level.PREPARE),
    ]
    found = looked_back([PLAIN], EVERYBODY, events, z("01-12 00:00"), z("01-13 00:00"))
    assert short(found) == [(z("01-12 07:00"), "raised")]
    assert found.warm_up == 42 * HOUR
    unknown = looked_back([PLAIN], EVERYBODY, events[1:], z("01-12 00:00"), z("01-13 00:00"))
    assert short(unknown) == [(z("01-12 07:00"), "opened")]


@pytest.mark.parametrize(
    ("type_", "previous", "by", "reminded"),
    [
        (EventType.TAKEN, None, "ramp", False),
        (EventType.LOWERED, Level.NO_TIME, "ramp", False),
        (EventType.RAISED, Level.PREPARE, "ramp", True),
        (EventType.RAISED, Level.PREPARE, None, True),
    ],
)
def test_somebody_who_took_it_before_the_events_begin_still_has_it_unless_it_rose(type_, previous, by, reminded):
    events = [said(z("01-12 06:00"), "XNOR-1", 5, type_, Level.TREAT, previous_level=previous, by=by)]
    found = looked_back([DESK], EVERYBODY, events, z("01-12 00:00"), z("01-12 07:00"))
    assert short(found)[1:] == ([(z("01-12 06:45"), "reminder")] if reminded else [])


def test_digests_among_the_events_are_not_told_again():
    opened = said(z("01-12 06:00"), "XNOR-1", 1, EventType.OPENED, Level.TREAT)
    body = EventBody("", None, "UTC", "Digest 0630Z", "why", "next", level=Level.TREAT)
    digest = Event(SubjectKind.DIGEST, "digest-a1", 9, EventType.DIGEST, z("01-12 06:30"), body)
    found = looked_back([DESK], EVERYBODY, [opened, digest], z("01-12 00:00"), z("01-12 06:40"))
    assert short(found) == [(z("01-12 06:00"), "opened")]


def test_two_subscriptions_of_one_desk_keep_their_digests_apart_wherever_the_look_back_begins():
    """The one for Northby comes at 05:30Z, the other for Moorend, where nothing is open, at 06:00Z."""
    opened = said(z("01-12 03:00"), "XNOR-1", 1, EventType.OPENED, Level.TREAT)
    blind = said(z("01-12 04:00"), "XNOR", 1, EventType.BLIND)
    times = {"XNOR": time(5, 30), "XMOR": time(6)}
    both = [
        replace(PLAIN, name=code, stations=frozenset({code}), digest_at=(clock,), zone="UTC")
        for code, clock in times.items()
    ]
    early = PreviewDigest("desk", z("01-12 05:30"), stations=1, subjects=2, worst=Level.TREAT)
    late = PreviewDigest("desk", z("01-12 06:00"), stations=0, subjects=0, worst=None)
    until = z("01-12 12:00")
    assert looked_back(both, EVERYBODY, [opened, blind], z("01-12 05:00"), until).digests == (early, late)
    assert looked_back(both, EVERYBODY, [opened, blind], z("01-12 05:45"), until).digests == (late,)


def test_a_desk_that_opens_at_six_hears_at_0500z_in_winter_time_and_at_0400z_in_summer_time():
    """Oslo is an hour ahead of UTC in winter, two in summer time, which began on 29 March 2026 (2000/84/EC)."""
    morning = replace(PLAIN, hours=Hours(time(6), time(18), "Europe/Oslo"))
    events = [
        said(z("03-27 23:00"), "XNOR-1", 1, EventType.OPENED, Level.TREAT),
        said(z("03-28 20:00"), "XNOR-2", 1, EventType.OPENED, Level.PREPARE),
    ]
    found = looked_back([morning], EVERYBODY, events, z("03-27 12:00"), z("03-30 12:00"))
    assert short(found) == [(z("03-28 05:00"), "opened"), (z("03-29 04:00"), "opened")]


def test_the_figures_are_by_the_wall_clock_of_the_subscription():
    """Counted by hand: Oslo is an hour ahead of UTC, so that 21:30Z and 04:59Z are at night, 05:00Z is not."""
    times = ("01-12 21:30", "01-12 22:59", "01-12 23:00", "01-13 04:59", "01-13 05:00", "01-13 12:10")
    levels = (Level.NOTE, Level.PREPARE, Level.TREAT, Level.TREAT, Level.NO_TIME, Level.PREPARE)
    events = [
        said(z(clock), f"XNOR-{n}", 1, EventType.OPENED, level)
        for n, (clock, level) in enumerate(zip(times, levels, strict=True), 1)
    ]
    events.append(said(z("01-13 12:50"), "XNOR", 1, EventType.BLIND))
    local = replace(PLAIN, zone="Europe/Oslo")
    [counts] = looked_back([local], EVERYBODY, events, z("01-11 23:00"), z("01-14 23:00")).counts
    assert (counts.destination, counts.zone, counts.messages) == ("desk", "Europe/Oslo", 7)
    assert counts.by_day == ((date(2026, 1, 12), 2), (date(2026, 1, 13), 5), (date(2026, 1, 14), 0))
    assert counts.at_night == 4
    assert counts.by_level == (
        (Level.NO_TIME, 1),
        (Level.TREAT, 2),
        (Level.PREPARE, 2),
        (Level.NOTE, 1),
        (None, 1),
    )
    assert counts.busiest_hour == (z("01-13 12:00"), 2)


def test_a_destination_that_would_hear_nothing_is_counted_and_one_that_is_closed_is_not():
    both = replace(PLAIN, destinations=("desk", "ramp"))
    found = looked_back([both], (Recipient("desk"), Recipient("ramp", open=False)), [], SPRING, SPRING + 24 * HOUR)
    assert [(item.destination, item.messages, item.busiest_hour) for item in found.counts] == [("desk", 0, None)]
