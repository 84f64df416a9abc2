"""Whom to tell: what a destination was last told decides, compared with how things stand now.

A destination that was not told of an open subject is told "opened" once a subscription of its own wants it: when the
episode opens, when its level rises far enough, or when its hours begin. Whoever was told "opened" is told the end,
whatever the hour.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from watcher.alerts.model import (
    EventType,
    Hours,
    NewDelivery,
    Policy,
    StationChange,
    StationView,
    Subscription,
    Told,
)
from watcher.rulebook.words import Flag, Kind, Level

ToldKey = tuple[str, str]
_ENDINGS = frozenset({EventType.CLOSED, EventType.WITHDRAWN, EventType.SEEING})


@dataclass(frozen=True, slots=True)
class _Subject:
    """An open episode, or a blind station, as it stands now. `event_id`: its latest event."""

    id: str
    station: str
    event_id: str
    opens_as: EventType
    flag: Flag | None
    level: Level | None
    kind: Kind | None


@dataclass(frozen=True, slots=True)
class _Owed:
    """One message before it has a name."""

    told_as: EventType
    subject: _Subject
    destination: str


def tell(
    changes: Iterable[StationChange],
    views: Iterable[StationView],
    subscriptions: Sequence[Subscription],
    told: Mapping[ToldKey, Told],
    *,
    policy: Policy,
    now: datetime,
) -> tuple[NewDelivery, ...]:
    """Return the messages that are owed now.

    Parameters
    ----------
    changes
        What the judgement has just made.
    views
        All stations as they stand after those changes.
    subscriptions
        Who wants what.
    told
        What each destination was last told of each subject, by (destination, subject id).
    policy, now
        The settings of the judgement and the present.
    """
    wanting = _Wanting(subscriptions, now)
    owed = list(_endings(changes, told))
    for view in views:
        for subject in _open_subjects(view):
            owed.extend(_owed_while_open(subject, wanting, told))
    return tuple(_delivery(item, policy, now) for item in owed)


def after_telling(told: Mapping[ToldKey, Told], deliveries: Iterable[NewDelivery]) -> dict[ToldKey, Told]:
    """Return what destinations know once the deliveries are in the outbox; ended subjects are forgotten."""
    known = dict(told)
    for delivery in deliveries:
        key = (delivery.destination, delivery.subject_id)
        if delivery.told_as in _ENDINGS:
            known.pop(key, None)
        else:
            known[key] = Told(*key, delivery.told_as, delivery.level, delivery.kind)
    return known


def within(hours: Hours | None, now: datetime) -> bool:
    """Return whether the local wall time is inside the hours; None means always.

    The beginning belongs to the hours, the end does not. Equal beginning and end mean the whole day.
    """
    if hours is None:
        return True
    wall = now.astimezone(ZoneInfo(hours.zone)).time()
    if hours.begin == hours.end:
        return True
    if hours.begin < hours.end:
        return hours.begin <= wall < hours.end
    return wall >= hours.begin or wall < hours.end


@dataclass(frozen=True, slots=True)
class _Wish:
    """What the subscriptions of one destination want of one subject: may it be told now, would it open now."""

    may_now: bool = False
    opens_now: bool = False


class _Wanting:
    """The subscriptions arranged by station, with their hours looked at once."""

    def __init__(self, subscriptions: Sequence[Subscription], now: datetime) -> None:
        self._everywhere: list[tuple[Subscription, bool]] = []
        self._by_station: dict[str, list[tuple[Subscription, bool]]] = defaultdict(list)
        for subscription in subscriptions:
            entry = (subscription, within(subscription.hours, now))
            if subscription.stations is None:
                self._everywhere.append(entry)
            else:
                for station in subscription.stations:
                    self._by_station[station].append(entry)

    def of(self, subject: _Subject) -> dict[str, _Wish]:
        """Return the wishes by destination. Several subscriptions of one destination are one wish."""
        found: dict[str, _Wish] = {}
        for subscription, in_hours in (*self._everywhere, *self._by_station.get(subject.station, ())):
            if not _concerns(subscription, subject):
                continue
            may_now = in_hours or (subject.level is Level.NO_TIME and subscription.no_time_ignores_hours)
            reaches = subject.level is None or (
                subject.level >= subscription.min_level and _opens_for(subscription, subject)
            )
            for destination in subscription.destinations:
                wish = found.get(destination, _Wish())
                found[destination] = _Wish(wish.may_now or may_now, wish.opens_now or (may_now and reaches))
        return found


def _concerns(subscription: Subscription, subject: _Subject) -> bool:
    """Return whether a subscription follows a subject once it was told of it."""
    flags = subscription.flags
    return subject.flag is None or flags is None or subject.flag in flags or Flag.NO_HOLDOVER in flags


def _opens_for(subscription: Subscription, subject: _Subject) -> bool:
    """Return whether a subject is told anew: whoever asks for no-holdover means every flag at level no-time."""
    flags = subscription.flags
    return flags is None or subject.flag in flags or subject.level is Level.NO_TIME


def _owed_while_open(subject: _Subject, wanting: _Wanting, told: Mapping[ToldKey, Told]) -> Iterator[_Owed]:
    for destination, wish in wanting.of(subject).items():
        last = told.get((destination, subject.id))
        if last is None:
            if wish.opens_now:
                yield _Owed(subject.opens_as, subject, destination)
        elif wish.may_now:
            change = _change_since(last, subject)
            if change is not None:
                yield _Owed(change, subject, destination)


def _change_since(last: Told, subject: _Subject) -> EventType | None:
    if last.level is None or subject.level is None:
        return None
    if last.kind is Kind.EXPECTED and subject.kind is Kind.OBSERVED:
        return EventType.CONFIRMED
    if subject.level == last.level:
        return None
    return EventType.RAISED if subject.level > last.level else EventType.LOWERED


def _endings(changes: Iterable[StationChange], told: Mapping[ToldKey, Told]) -> Iterator[_Owed]:
    ended = {subject.id: subject for change in changes for subject in _ended_subjects(change)}
    for destination, subject_id in sorted(told):
        subject = ended.get(subject_id)
        if subject is not None:
            yield _Owed(subject.opens_as, subject, destination)


def _ended_subjects(change: StationChange) -> Iterator[_Subject]:
    """Return what ended in a change; `opens_as` then carries the ending."""
    for event in change.events:
        if event.type in _ENDINGS:
            yield _Subject(
                id=event.subject_id,
                station=change.station,
                event_id=event.id,
                opens_as=event.type,
                flag=event.body.flag,
                level=event.body.level,
                kind=event.body.kind,
            )


def _open_subjects(view: StationView) -> Iterator[_Subject]:
    for episode in view.episodes:
        if episode.opened_at is not None:
            yield _Subject(
                id=episode.id,
                station=episode.station,
                event_id=f"{episode.id}.{episode.seq}",
                opens_as=EventType.OPENED,
                flag=episode.flag,
                level=episode.level,
                kind=episode.kind,
            )
    state = view.state
    if state.blind_since is not None:
        yield _Subject(state.station, state.station, f"{state.station}.{state.seq}", EventType.BLIND, None, None, None)


def _delivery(owed: _Owed, policy: Policy, now: datetime) -> NewDelivery:
    subject = owed.subject
    name = f"{subject.event_id}|{owed.destination}|{owed.told_as.value}"
    return NewDelivery(
        id="msg_" + hashlib.sha256(name.encode()).hexdigest()[:27],
        destination=owed.destination,
        event_id=subject.event_id,
        told_as=owed.told_as,
        level=subject.level,
        kind=subject.kind,
        subject_id=subject.id,
        due_at=now,
        valid_until=now + policy.valid_for,
    )
