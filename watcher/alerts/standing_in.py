"""What a fallback is told of messages that do not reach the destination that they were meant for.

Of each subject only the newest is handed on, once, and only while it holds: what is over is not told as if it were new.
The destination itself goes on being owed; when it hears again, it is told as if nothing had been handed on.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from datetime import datetime

from watcher.alerts.listeners import Listeners
from watcher.alerts.model import EventType
from watcher.alerts.outbox import Instead, NewDelivery, Told, Unreached
from watcher.alerts.tell import ToldKey, change_since, delivery_name

_STANDS = frozenset({
    EventType.OPENED, EventType.RAISED, EventType.LOWERED, EventType.CONFIRMED, EventType.TAKEN, EventType.REMINDER,
    EventType.BLIND,
})  # fmt: skip


def concerned(listeners: Listeners) -> frozenset[str]:
    """Return the destinations that have a fallback or are one: of these it matters whether they can be reached."""
    named = {item.name: item.fallback for item in listeners.recipients.values() if item.fallback is not None}
    return frozenset(named) | frozenset(named.values())


def stand_ins(listeners: Listeners, silent: Collection[str]) -> dict[str, str]:
    """Return by destination who is told in its place: the nearest in the chain of its fallbacks that hears.

    Parameters
    ----------
    listeners
        The destinations in force.
    silent
        Those that are out of reach. Where all of a chain are, nobody stands in, and all goes on being owed.
    """
    found = {}
    for name, recipient in listeners.recipients.items():
        if recipient.open or recipient.gone:
            reader = next((other for other in listeners.behind(name) if other not in silent), None)
            if reader is not None:
                found[name] = reader
    return found


def taken_over(
    lines: Iterable[Unreached],
    readers: Mapping[str, str],
    listeners: Listeners,
    told: Mapping[ToldKey, Told],
    now: datetime,
) -> Iterator[NewDelivery]:
    """Yield what fallbacks are told now.

    Parameters
    ----------
    lines
        What did not reach its destination: the newest of each subject, as far as it still holds.
    readers
        By destination who stands in for it; see `stand_ins`.
    listeners, told, now
        The destinations in force, what each was last told, and the present.
    """
    met: set[ToldKey] = set()
    for line in lines:
        reader = readers[line.destination]
        key = reader, line.subject_id
        told_as = _told_as(line, told.get(key), now)
        if told_as is None or key in met:
            continue
        met.add(key)
        yield NewDelivery(
            id=delivery_name(line.subject_id, line.seq, reader, told_as, now, repeat=line.repeat),
            destination=reader,
            subject_id=line.subject_id,
            seq=line.seq,
            told_as=told_as,
            level=line.level,
            kind=line.kind,
            made_at=now,
            valid_until=line.valid_until,
            group_within=listeners.recipients[reader].group_within,
            repeat=line.repeat,
            instead=Instead(line.meant_for or line.destination, line.why),
            no_time=line.no_time,
            begins_at=line.begins_at,
        )


def _told_as(line: Unreached, last: Told | None, now: datetime) -> EventType | None:
    """Return how the fallback is told of it, by what it knows itself; None where that is enough."""
    if line.told_as not in _STANDS:
        return line.told_as
    if last is None:
        return EventType.BLIND if line.told_as is EventType.BLIND else EventType.OPENED
    if (last.seq, last.repeat) >= (line.seq, line.repeat) or line.told_as is EventType.BLIND:
        return None
    change = change_since(last, line, now)
    if change is not None:
        return change
    if line.told_as is EventType.REMINDER:
        return EventType.REMINDER if line.made_at > last.at else None
    return EventType.TAKEN if line.told_as is EventType.TAKEN else None
