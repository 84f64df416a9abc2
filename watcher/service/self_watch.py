"""What caretakers are told of the service itself: once when something has begun to be wrong, once when it is over.

Pure: what is found wrong goes in, events come out. Nothing is told that comes and goes within the time it settles in.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from watcher.alerts.model import Event, EventBody, EventType, SubjectKind
from watcher.alerts.outbox import Instead, NewDelivery
from watcher.alerts.subscribers import Recipient
from watcher.alerts.tell import delivery_name
from watcher.notify.wording import short
from watcher.service.status_words import Finding, Matter

# These name who is meant: another one is news, though the matter is the same.
_TOLD_ANEW = frozenset({Matter.OFF, Matter.PEOPLE})
_LONGEST_HEADLINE = 100
_LONGEST_WHY = 500


@dataclass(frozen=True, slots=True)
class Seen:
    """What was found at the last looks.

    `wrong`: since when each matter is as it is, with the words that count for it. `well`: since when each matter that
    was told is well.
    """

    wrong: Mapping[Matter, tuple[str, datetime]] = field(default_factory=dict)
    well: Mapping[Matter, datetime] = field(default_factory=dict)


def by_matter(findings: Iterable[Finding]) -> dict[Matter, Finding]:
    """Return one finding for each matter that caretakers are told of; several of one matter are told as one."""
    found: dict[Matter, Finding] = {}
    for item in findings:
        if item.matter is not None:
            first = found.get(item.matter)
            what = f"{first.what} {item.what}" if first is not None else item.what
            found[item.matter] = Finding(what, item.do if first is None else first.do, item.where, item.matter)
    return found


def look(
    seen: Seen,
    wrong: Mapping[Matter, Finding],
    told: Mapping[Matter, Event],
    *,
    asked: Iterable[Matter] = tuple(Matter),
    now: datetime,
    settle: timedelta,
) -> tuple[Seen, tuple[Event, ...]]:
    """Return what is remembered after a look, and what has to be told.

    Parameters
    ----------
    seen
        What was remembered before.
    wrong
        What is wrong now.
    told
        The last event of each matter, where there is one.
    asked
        The matters that it is known of whether they are wrong; nothing is concluded of the others.
    now
        Aware UTC.
    settle
        So long something must last, or be over, before it is told.
    """
    since, well, events = dict(seen.wrong), dict(seen.well), []
    for matter in asked:
        last = told.get(matter)
        is_open = last is not None and last.type is EventType.UNWELL
        found = wrong.get(matter)
        if found is None:
            since.pop(matter, None)
            if last is not None and is_open:
                # A clock that was ahead must not put it off for as long as it was; so too below.
                well[matter] = min(well.get(matter, now), now)
                if now - well[matter] >= settle:
                    events.append(_over(matter, last, now))
                    del well[matter]
            continue
        well.pop(matter, None)
        words = found.what if matter in _TOLD_ANEW else ""
        before, begun = since.get(matter, (None, now))
        begun = min(begun, now) if before == words else now
        since[matter] = words, begun
        is_news = last is None or not is_open or (bool(words) and last.body.why != _why(found))
        if is_news and now - begun >= settle:
            events.append(_begun(matter, found, last, begun, now))
    return Seen(since, well), tuple(events)


def owed(
    events: Sequence[Event],
    recipients: Iterable[tuple[Recipient, Instead | None]],
    valid_for: timedelta,
    now: datetime,
) -> Iterator[NewDelivery]:
    """Yield the messages of events to those who are told, each perhaps in the place of another."""
    for recipient, instead in recipients:
        for event in events:
            yield NewDelivery(
                id=delivery_name(event.subject_id, event.seq, recipient.name, event.type, now),
                destination=recipient.name,
                subject_id=event.subject_id,
                seq=event.seq,
                told_as=event.type,
                level=None,
                kind=None,
                made_at=now,
                valid_until=now + valid_for,
                group_within=recipient.group_within,
                instead=instead,
            )


def subject_of(matter: Matter) -> str:
    """Return the name under which events of a matter are kept."""
    return f"service-{matter}"


def _begun(matter: Matter, found: Finding, last: Event | None, since: datetime, now: datetime) -> Event:
    body = EventBody(
        station="",
        name=None,
        zone=None,
        headline=f"Service not well: {short(found.what, _LONGEST_HEADLINE)}",
        why=_why(found),
        next_step=found.do,
        begins_at=since,
    )
    return Event(SubjectKind.SERVICE, subject_of(matter), _seq(last, now), EventType.UNWELL, now, body)


def _over(matter: Matter, last: Event, now: datetime) -> Event:
    body = EventBody(
        station="",
        name=None,
        zone=None,
        headline=f"Service well again: {matter.over}",
        why=f"It was told before: {last.body.why}",
        next_step="Nothing to do. What came in meanwhile is judged and told as it now stands.",
        begins_at=last.body.begins_at,
        until=now,
    )
    return Event(SubjectKind.SERVICE, subject_of(matter), _seq(last, now), EventType.WELL, now, body)


def _why(found: Finding) -> str:
    return short(found.what, _LONGEST_WHY)


def _seq(last: Event | None, now: datetime) -> int:
    """Return the next number of a matter: higher than any before, also where those are no longer kept."""
    minute = int(now.timestamp() // 60)
    return max(minute, last.seq + 1) if last is not None else minute
