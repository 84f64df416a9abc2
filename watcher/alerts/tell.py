"""Whom to tell: what a destination was last told decides, compared with how things stand now.

A destination that was not told of an open subject is told "opened" once a subscription of its own wants it: when the
episode opens, when its level rises far enough, or when its hours begin. From then on it is told changes to and from the
levels that a subscription wants at that hour, and once who took it in hand; while nobody has, those who asked for it
are reminded. Whoever was told "opened" is told the end, whatever the hour.

While the receiver of a destination wants nothing, its fallback is told in its place, and goes on from what that had
heard. What was begun in another's place is told there to its end, also when the other hears again.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import chain
from typing import NamedTuple

from watcher.alerts.changes import StationChange
from watcher.alerts.digests import due_digests
from watcher.alerts.episodes import is_earlier, turned
from watcher.alerts.listeners import Listeners
from watcher.alerts.model import ENDINGS, Event, EventType, Policy, StationView
from watcher.alerts.outbox import Detour, Instead, NewDelivery, Told, Unreached
from watcher.alerts.subjects import Subject, ended_subjects, open_subjects
from watcher.alerts.wishes import Wish, Wishes
from watcher.rulebook.model import Rulebook
from watcher.rulebook.words import Kind

ToldKey = tuple[str, str]

# How often at most somebody is reminded of the same event. Common practice, no source.
REMINDERS = 5


@dataclass(frozen=True, slots=True)
class Telling:
    """What is owed now: messages, and the digests among them as events of their own."""

    deliveries: tuple[NewDelivery, ...] = ()
    digests: tuple[Event, ...] = ()


def tell(
    changes: Iterable[StationChange],
    views: Iterable[StationView],
    listeners: Listeners,
    told: Mapping[ToldKey, Told],
    *,
    rulebook: Rulebook,
    policy: Policy,
    now: datetime,
) -> Telling:
    """Return the messages that are owed now.

    Parameters
    ----------
    changes
        What the judgement has just made.
    views
        All stations as they stand after those changes.
    listeners
        Who wants what.
    told
        What each destination was last told of each subject, by (destination, subject id).
    rulebook, policy, now
        The rules, the settings of the judgement and the present.
    """
    views = tuple(views)
    ended = (subject for change in changes for subject in ended_subjects(change))
    standing = (subject for view in views for subject in open_subjects(view))
    digests = tuple(due_digests(views, listeners, told, rulebook=rulebook, now=now))
    return Telling(
        deliveries=(
            *owed(ended, standing, listeners, told, policy=policy, now=now),
            *(_of_digest(event, destination, listeners, policy, now) for event, destination in digests),
        ),
        digests=tuple(event for event, _ in digests),
    )


def owed(
    ended: Iterable[Subject],
    standing: Iterable[Subject],
    listeners: Listeners,
    told: Mapping[ToldKey, Told],
    *,
    policy: Policy,
    now: datetime,
) -> tuple[NewDelivery, ...]:
    """Return the messages that are owed now about what has just ended and what stands open; see `tell`."""
    wishes = Wishes(listeners, now)
    open_now = (item for subject in standing for item in _while_open(subject, wishes, listeners, told, now))
    return tuple(_delivery(item, listeners, policy, now) for item in chain(_endings(ended, listeners, told), open_now))


def after_telling(
    told: Mapping[ToldKey, Told], deliveries: Iterable[NewDelivery], changes: Iterable[StationChange]
) -> dict[ToldKey, Told]:
    """Return what destinations know once the deliveries are in the outbox; what has ended is forgotten."""
    over = {subject.id for change in changes for subject in ended_subjects(change)}
    known = {key: last for key, last in told.items() if key[1] not in over} if over else dict(told)
    known.update((key_of(item), told_by(item)) for item in deliveries if item.told_as not in ENDINGS)
    return known


def key_of(item: NewDelivery) -> ToldKey:
    """Return under what a delivery is remembered."""
    return item.destination, item.subject_id


def told_by(item: NewDelivery) -> Told:
    """Return what a destination knows by a delivery."""
    return Told(
        *key_of(item),
        item.told_as,
        item.level,
        item.kind,
        item.seq,
        item.made_at,
        item.repeat,
        item.instead,
        item.no_time,
        item.begins_at,
    )


class _Owed(NamedTuple):
    """One message before it has a name."""

    told_as: EventType
    subject: Subject
    destination: str
    repeat: int = 0
    instead: Instead | None = None


def _endings(ended: Iterable[Subject], listeners: Listeners, told: Mapping[ToldKey, Told]) -> Iterator[_Owed]:
    by_id = {subject.id: subject for subject in ended}
    if not by_id:
        return
    met: set[ToldKey] = set()
    # Picked before they are put in order: most turns end a few stories among very many.
    for destination, subject_id in sorted(key for key in told if key[1] in by_id):
        reader = listeners.reader_of(destination)
        if reader is None or (reader, subject_id) in met or (reader != destination and (reader, subject_id) in told):
            continue
        met.add((reader, subject_id))
        subject, last = by_id[subject_id], told[destination, subject_id]
        instead = last.instead if reader == destination else Instead(destination, Detour.OFF)
        yield _Owed(subject.opens_as, subject, reader, instead=instead)


def _while_open(
    subject: Subject, wishes: Wishes, listeners: Listeners, told: Mapping[ToldKey, Told], now: datetime
) -> Iterator[_Owed]:
    wanted = wishes.of(subject)
    met = set()
    for destination, wish in wanted.items():
        if listeners.have_fallbacks and not listeners.may_be_told(destination):
            continue
        item = _as_it_stands(subject, destination, wish, told.get((destination, subject.id)), now)
        if item is not None:
            met.add(destination)
            yield item
    if listeners.have_fallbacks:
        for item in _in_place(subject, wanted, listeners, told, now):
            # What it wants for itself it was told for itself.
            if item.destination not in met:
                met.add(item.destination)
                yield item


def _in_place(
    subject: Subject, wanted: Mapping[str, Wish], listeners: Listeners, told: Mapping[ToldKey, Told], now: datetime
) -> Iterator[_Owed]:
    """Yield what fallbacks are told: instead of whoever is switched off, and of what they were told for another."""
    for destination, wish in wanted.items():
        reader = listeners.reader_of(destination)
        for other in listeners.behind(destination):
            last = told.get((other, subject.id))
            item = None
            if other == reader:
                item = _as_it_stands(subject, other, wish, last or told.get((destination, subject.id)), now)
                if item is not None and last is None:
                    # Whatever it is to the one that had heard of it, here it is new.
                    item = item._replace(told_as=subject.opens_as)
                instead = Instead(destination, Detour.OFF)
            elif last is not None and last.instead is not None and last.instead.meant_for == destination:
                item = _as_it_stands(subject, other, Wish(wish.least), last, now)
                instead = last.instead
            if item is not None:
                yield item._replace(instead=instead)


def _as_it_stands(subject: Subject, destination: str, wish: Wish, last: Told | None, now: datetime) -> _Owed | None:
    """Return what a destination has to be told of an open subject, None where it knows how that stands."""
    if last is None:
        return _Owed(subject.opens_as, subject, destination) if wish.reaches(subject.level) else None
    change = _change_since(last, subject, now)
    if change is not None:
        # What comes down from a wanted level is wanted too: whoever heard of it hears that it is less now.
        wanted = wish.reaches(subject.level) or wish.reaches(last.level)
        return _Owed(change, subject, destination) if wanted else None
    if wish.remind_every is not None and subject.untaken and now - last.at >= wish.remind_every:
        repeat = last.repeat + 1 if last.seq == subject.seq else 1
        return _Owed(EventType.REMINDER, subject, destination, repeat) if repeat <= REMINDERS else None
    return None


def _change_since(last: Told, subject: Subject, now: datetime) -> EventType | None:
    """Return what has changed since a destination was last told, None when nothing that it is told of."""
    change = change_since(last, subject, now)
    if change is not None or last.level is None or subject.level is None:
        return change
    # Whatever was told after that event says who has it, so that only this remains to be told apart.
    return EventType.TAKEN if last.seq < subject.taken_seq else None


def change_since(last: Told, it: Subject | Unreached, now: datetime) -> EventType | None:
    """Return how an episode differs from what a destination was last told of it; None: in nothing that is told."""
    if last.level is None or it.level is None:
        return None
    if last.kind is Kind.EXPECTED and it.kind is Kind.OBSERVED:
        return EventType.CONFIRMED
    if it.level != last.level:
        return EventType.RAISED if it.level > last.level else EventType.LOWERED
    change = turned(last.no_time, it.no_time)
    return EventType.RAISED if change is None and is_earlier(last.begins_at, it.begins_at, now) else change


def _delivery(item: _Owed, listeners: Listeners, policy: Policy, now: datetime) -> NewDelivery:
    subject = item.subject
    return NewDelivery(
        id=delivery_name(subject.id, subject.seq, item.destination, item.told_as, now, repeat=item.repeat),
        destination=item.destination,
        subject_id=subject.id,
        seq=subject.seq,
        told_as=item.told_as,
        level=subject.level,
        kind=subject.kind,
        made_at=now,
        valid_until=now + policy.valid_for,
        group_within=listeners.recipients[item.destination].group_within,
        repeat=item.repeat,
        instead=item.instead,
        no_time=subject.no_time,
        begins_at=subject.begins_at,
    )


def _of_digest(event: Event, destination: str, listeners: Listeners, policy: Policy, now: datetime) -> NewDelivery:
    reader = listeners.reader_of(destination) or destination
    return NewDelivery(
        id=delivery_name(event.subject_id, event.seq, reader, event.type, now),
        destination=reader,
        subject_id=event.subject_id,
        seq=event.seq,
        told_as=event.type,
        level=event.body.level,
        kind=None,
        made_at=now,
        valid_until=now + policy.valid_for,
        instead=Instead(destination, Detour.OFF) if reader != destination else None,
    )


def delivery_name(
    subject_id: str, seq: int, destination: str, told_as: EventType, made_at: datetime, *, repeat: int = 0
) -> str:
    """Return the name of a delivery, under which its receiver knows it again.

    A service that begins anew, or goes on from a backup, counts its events anew: the time tells its messages from those
    that were sent before.
    """
    again = f"|{repeat}" if repeat else ""
    name = f"{subject_id}.{seq}|{destination}|{told_as}{again}|{made_at.astimezone(UTC).isoformat()}"
    return "msg_" + hashlib.sha256(name.encode()).hexdigest()[:27]
