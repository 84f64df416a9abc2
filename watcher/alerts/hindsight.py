"""A time that has passed, told again: from its events to what would have been owed, by the code that tells for real.

The stations are put together again from the events, and whoever is asked about is told anew: at every event, when hours
begin or end, when a reminder or a digest is due.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime, time, timedelta
from heapq import heapify, heappop, heappush

from watcher.alerts.changes import StationChange
from watcher.alerts.digests import LATEST_BY, due_digests
from watcher.alerts.hours import edges, following
from watcher.alerts.listeners import Listeners
from watcher.alerts.model import (
    ENDINGS,
    Episode,
    Event,
    EventType,
    Phase,
    Policy,
    StationState,
    StationView,
    SubjectKind,
    Taken,
)
from watcher.alerts.outbox import NewDelivery, Told
from watcher.alerts.subjects import Subject, ended_subjects, open_subjects
from watcher.alerts.subscribers import Subscription
from watcher.alerts.tell import ToldKey, key_of, owed, told_by
from watcher.reports.station import Station
from watcher.rulebook.model import Rulebook
from watcher.rulebook.words import Kind, Level

# A digest is counted here, not read, so that no rule is asked for its words.
_NO_RULES = Rulebook((), "")
_INSTANT = timedelta(microseconds=1)


class Hindsight:
    """The events of a time, told again in one walk from moment to moment.

    Parameters
    ----------
    subscriptions
        Those that are asked about.
    listeners
        The same, arranged, with their destinations.
    events
        In the store's order; those of one time are of one turn. What comes after a walk is given to `go_on`.
    stations
        Gives the station of a code.
    policy
        The settings of the judgement.

    Attributes
    ----------
    owed
        What was owed, each with the event that it tells of.
    digests
        The digests with the destinations that they were for. Their lines have no reasons: no rule is asked.
    """

    def __init__(
        self,
        subscriptions: Sequence[Subscription],
        listeners: Listeners,
        events: Iterable[Event],
        *,
        stations: Callable[[str], Station],
        policy: Policy,
    ) -> None:
        self.owed: list[tuple[NewDelivery, Event]] = []
        self.digests: list[tuple[Event, str]] = []
        self._subscriptions = subscriptions
        self._listeners = listeners
        self._stations = stations
        self._policy = policy
        self._turns = _turns(events)
        self._intervals = {item.remind_every for item in subscriptions if item.remind_every is not None}
        self._views: dict[str, StationView] = {}
        self._open: dict[str, dict[str, Subject]] = {}
        self._newest: dict[str, Event] = {}
        self._told: dict[str, dict[ToldKey, Told]] = defaultdict(dict)
        self._listed: dict[ToldKey, Told] = {}
        self._reminders: dict[datetime, set[str]] = defaultdict(set)

    def walk(self, begin: datetime, until: datetime) -> None:
        """Tell from the first event to the end, which is left out; digests from shortly before the beginning."""
        # What is late shares the next digest, so that those just before the beginning must be known to have come.
        self._walk(min(self._turns, default=begin), begin - LATEST_BY, until)

    def go_on(self, events: Iterable[Event], begin: datetime, until: datetime) -> None:
        """Tell on from where the last walk ended, with the events up to the next end; what was owed before is let go.

        So a long time is told part by part, and no more than a part of it is remembered.
        """
        self.owed, self.digests = [], []
        self._turns = _turns(events)
        asked = {subject_id for kept in (*self._open.values(), *self._reminders.values()) for subject_id in kept}
        self._newest = {subject_id: event for subject_id, event in self._newest.items() if subject_id in asked}
        self._walk(begin - _INSTANT, begin, until)

    def _walk(self, hours_from: datetime, digests_from: datetime, until: datetime) -> None:
        edges = _edges(self._subscriptions, hours_from, until)
        digest_times = _digest_times(self._listeners, digests_from, until)
        moments = [*{*self._turns, *edges, *digest_times, *self._reminders}]
        heapify(moments)
        passed = None
        while moments and (now := heappop(moments)) < until:
            if now == passed:
                continue
            passed = now
            changes = self._hear(self._turns.get(now, ()))
            told = self._tell(changes, now, everywhere=now in edges)
            if now in digest_times:
                self._list_open(now)
            for due in self._take_down(told):
                heappush(moments, due)

    def _hear(self, events: Sequence[Event]) -> list[StationChange]:
        """Move the stations on by the events of one turn."""
        by_station: dict[str, list[Event]] = defaultdict(list)
        for event in events:
            by_station[event.body.station].append(event)
            self._newest[event.subject_id] = event
        changes = []
        for code, heard in by_station.items():
            view = self._views.get(code) or StationView(self._stations(code), StationState(code))
            for event in heard:
                view = _after(view, event)
            self._views[code] = view
            self._open[code] = {subject.id: subject for subject in open_subjects(view)}
            changes.append(StationChange(code, 0, view, events=tuple(heard)))
        return changes

    def _tell(self, changes: Sequence[StationChange], now: datetime, *, everywhere: bool) -> tuple[NewDelivery, ...]:
        """Return what is owed: of everything where hours turn, else of what has changed or may be due."""
        ended = [subject for change in changes for subject in ended_subjects(change)]
        concerned = self._reminders.pop(now, set()).union(event.subject_id for each in changes for event in each.events)
        standing = self._standing(None if everywhere else concerned)
        told = {key: last for subject in (*ended, *standing) for key, last in self._told.get(subject.id, {}).items()}
        return owed(ended, standing, self._listeners, told, policy=self._policy, now=now)

    def _standing(self, ids: Collection[str] | None) -> list[Subject]:
        """Return those of these subjects that are open, None: all that are, in the order in which they are told."""
        if ids is None:
            return [subject for code in sorted(self._open) for subject in self._open[code].values()]
        codes = sorted({self._newest[subject_id].body.station for subject_id in ids})
        return [subject for code in codes for subject in self._open[code].values() if subject.id in ids]

    def _take_down(self, deliveries: Iterable[NewDelivery]) -> Iterator[datetime]:
        """Keep what was owed and remember that it is known; yield when somebody may want to be reminded of it."""
        for delivery in deliveries:
            event = self._newest[delivery.subject_id]
            self.owed.append((delivery, event))
            if delivery.told_as in ENDINGS:
                self._told.pop(delivery.subject_id, None)
                continue
            self._told[delivery.subject_id][key_of(delivery)] = told_by(delivery)
            for interval in self._intervals:
                due = delivery.made_at + interval
                if due not in self._reminders:
                    yield due
                self._reminders[due].add(delivery.subject_id)

    def _list_open(self, now: datetime) -> None:
        views = [self._views[code] for code in sorted(self._views)]
        for event, destination in due_digests(views, self._listeners, self._listed, rulebook=_NO_RULES, now=now):
            self.digests.append((event, destination))
            key = destination, event.subject_id
            self._listed[key] = Told(*key, event.type, event.body.level, None, event.seq, now)


def _after(view: StationView, event: Event) -> StationView:
    """Return a station as it stands after an event."""
    if event.subject_kind is SubjectKind.STATION:
        blind_since = event.at if event.type is EventType.BLIND else None
        return replace(view, state=replace(view.state, blind_since=blind_since, seq=event.seq))
    before = next((episode for episode in view.episodes if episode.id == event.subject_id), None)
    episodes = [episode for episode in view.episodes if episode is not before]
    if event.type not in ENDINGS:
        episodes.append(_episode(before, event))
        episodes.sort(key=lambda episode: episode.number)
    return StationView(view.station, view.state, episodes=tuple(episodes))


def _episode(before: Episode | None, event: Event) -> Episode:
    """Return an open episode as its event tells of it."""
    body = event.body
    assert body.flag is not None
    assert body.level is not None
    return Episode(
        station=body.station,
        number=int(event.subject_id.rpartition("-")[2]),
        flag=body.flag,
        kind=body.kind or Kind.OBSERVED,
        level=body.level,
        phase=body.phase or Phase.PRESENT,
        began_at=body.begins_at or event.at,
        changed_at=event.at,
        opened_at=before.opened_at if before is not None else event.at,
        until=body.until,
        certainty=body.certainty,
        no_time=body.no_time,
        taken=_taken(before, event, body.level),
        seq=event.seq,
        told_from=body.begins_at if body.kind is Kind.EXPECTED else None,
    )


def _taken(before: Episode | None, event: Event, level: Level) -> Taken | None:
    """Return who has an episode in hand. Where that was not seen, it was taken before it rose, if it did."""
    body = event.body
    if before is not None and event.type is not EventType.TAKEN:
        return before.taken
    if body.by is None:
        return None
    then = body.previous_level if event.type is EventType.RAISED else None
    return Taken(body.by, body.note or "", event.at, then or level, event.seq)


def _turns(events: Iterable[Event]) -> dict[datetime, list[Event]]:
    """Return what happened at stations, by time."""
    turns: dict[datetime, list[Event]] = defaultdict(list)
    for event in events:
        if event.subject_kind in {SubjectKind.EPISODE, SubjectKind.STATION}:
            turns[event.at].append(event)
    return dict(turns)


def _edges(subscriptions: Iterable[Subscription], begin: datetime, until: datetime) -> frozenset[datetime]:
    """Return when hours and quiet hours begin and end."""
    spans = {hours for item in subscriptions for hours in (item.hours, item.quiet) if hours is not None}
    return frozenset(edge for hours in spans for edge in edges(hours, begin, until))


def _digest_times(listeners: Listeners, begin: datetime, until: datetime) -> frozenset[datetime]:
    found: set[datetime] = set()
    for item in {item for wanting in listeners.digests.values() for item in wanting}:
        if item.zone is not None:
            found.update(_scheduled(item.digest_at, item.zone, begin, until))
    return frozenset(found)


def _scheduled(times: Sequence[time], zone: str, begin: datetime, until: datetime) -> Iterator[datetime]:
    """Yield the instants of wall times from a time on, the end left out."""
    moment = following(times, zone, begin - _INSTANT)
    while moment is not None and moment < until:
        yield moment
        moment = following(times, zone, moment)
