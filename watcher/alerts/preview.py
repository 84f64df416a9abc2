"""What somebody would have been told in a time that has passed: the messages, and what they come to in figures.

Nothing is sent and nothing is remembered.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from heapq import merge
from operator import attrgetter, itemgetter
from zoneinfo import ZoneInfo

from watcher.alerts.hindsight import Hindsight
from watcher.alerts.listeners import Listeners
from watcher.alerts.model import Event, EventType, Policy
from watcher.alerts.subscribers import Recipient, Subscription
from watcher.reports.station import Station
from watcher.rulebook.words import Level

# Between these hours of the wall clock a message is counted as one at night. Common practice, no source.
NIGHT_BEGINS_H, NIGHT_ENDS_H = 22, 6

_INSTANT = timedelta(microseconds=1)


@dataclass(frozen=True, slots=True)
class PreviewItem:
    """One event in a message. `told_as`, `level`: as they arrive. `repeat`: which reminder of the event it is."""

    told_as: EventType
    event: Event
    headline: str
    level: Level | None
    subject_id: str
    repeat: int = 0


@dataclass(frozen=True, slots=True)
class PreviewMessage:
    """One message.

    `at`: when it would have been ready to be sent, its time of waiting for company included. `number`: its place among
    those that were begun.
    """

    destination: str
    at: datetime
    items: tuple[PreviewItem, ...]
    number: int = field(default=0, compare=False)

    @property
    def level(self) -> Level | None:
        """The worst level that it tells of, None where it is about blindness alone."""
        return max((item.level for item in self.items if item.level is not None), default=None)


@dataclass(frozen=True, slots=True)
class PreviewDigest:
    """One digest. `subjects`: the alerts and blind stations that it would have listed, at so many `stations`."""

    destination: str
    at: datetime
    stations: int
    subjects: int
    worst: Level | None


@dataclass(frozen=True, slots=True)
class PreviewCounts:
    """The messages of one destination in figures, digests apart.

    `zone`: whose wall clock the days and hours are of. `by_day`: every day of the time, quiet ones too. `at_night`:
    between 22 and 06. `by_level`: by the worst level of each message, worst first; None: about blindness alone.
    `busiest_hour`: when the clock hour with the most messages began, and how many; None without messages.
    """

    destination: str
    zone: str
    messages: int
    by_day: tuple[tuple[date, int], ...]
    at_night: int
    by_level: tuple[tuple[Level | None, int], ...]
    busiest_hour: tuple[datetime, int] | None


@dataclass(frozen=True, slots=True)
class Preview:
    """What would have been told.

    `warm_up`: how long before the time the events begin. What opened earlier and said nothing since is not known.
    """

    messages: tuple[PreviewMessage, ...]
    digests: tuple[PreviewDigest, ...]
    counts: tuple[PreviewCounts, ...]
    warm_up: timedelta


def preview(
    subscriptions: Sequence[Subscription],
    recipients: Iterable[Recipient],
    events: Sequence[Event],
    *,
    stations: Callable[[str], Station],
    begin: datetime,
    until: datetime,
    policy: Policy,
) -> Preview:
    """Return what these subscriptions would have sent in a time that has passed, had they been there all along.

    Parameters
    ----------
    subscriptions, recipients
        Who is asked about.
    events
        All events of the time in the store's order, and of some days before, so that what was open is known. Those of
        one time are of one turn. An episode whose beginning is not among them begins with its first event here.
    stations
        Gives the station of a code.
    begin, until
        The time, aware UTC, the end left out.
    policy
        The settings of the judgement.

    Notes
    -----
    The watcher looks once a minute, and this at the very instant, so that what hours and reminders bring about may have
    come up to a minute later. A station that was removed while blind counts as blind: no event tells of its removal.
    """
    listeners = Listeners(subscriptions, recipients)
    past = Hindsight(subscriptions, listeners, events, stations=stations, policy=policy)
    past.walk(begin, until)
    made = sorted(grouped(lines_of(past)), key=attrgetter("at", "number"))
    messages = tuple(message for message in made if begin <= message.at < until)
    return Preview(
        messages=messages,
        digests=tuple(_digest(event, destination) for event, destination in past.digests if begin <= event.at),
        counts=tuple(_counts(name, zone, messages, begin, until) for name, zone in zones_of(subscriptions, listeners)),
        warm_up=max(begin - min((event.at for event in events), default=begin), timedelta()),
    )


def _digest(event: Event, destination: str) -> PreviewDigest:
    lines = event.body.lines
    subjects = sum(1 + len(line.also) for line in lines)
    return PreviewDigest(destination, event.at, len(lines), subjects, event.body.level)


def grouped(lines: Iterable[Line]) -> Iterator[PreviewMessage]:
    """Yield the messages of what was told, given by time; each when nothing more can join it.

    What comes up while the newest message of its destination waits for company joins that, as in the outbox; a digest
    is a newer one that waits for nobody.
    """
    newest: dict[str, _Draft] = {}
    for number, (made_at, destination, within, item) in enumerate(lines):
        draft = newest.get(destination)
        if item is not None and draft is not None and made_at < draft.at:
            draft.items.append(item)
            continue
        if draft is not None:
            yield newest.pop(destination).message()
        if item is not None:
            newest[destination] = _Draft(destination, made_at + within, number, [item])
    yield from (draft.message() for draft in newest.values())


@dataclass(slots=True)
class _Draft:
    """A message that others may still join. `number`: its place among those that were begun."""

    destination: str
    at: datetime
    number: int
    items: list[PreviewItem]

    def message(self) -> PreviewMessage:
        return PreviewMessage(self.destination, self.at, tuple(self.items), self.number)


# When it came up, for whom, how long it waits for company, what it is; None: a digest.
Line = tuple[datetime, str, timedelta, PreviewItem | None]


def lines_of(past: Hindsight) -> Iterator[Line]:
    """Return by time what the last walk through a past told."""
    return merge(_told(past), _listed(past), key=itemgetter(0))


def _told(past: Hindsight) -> Iterator[Line]:
    for made, event in past.owed:
        item = PreviewItem(made.told_as, event, event.body.headline, made.level, made.subject_id, made.repeat)
        yield made.made_at, made.destination, made.group_within or timedelta(), item


def _listed(past: Hindsight) -> Iterator[Line]:
    for event, destination in past.digests:
        yield event.at, destination, timedelta(), None


def zones_of(subscriptions: Iterable[Subscription], listeners: Listeners) -> Iterable[tuple[str, str]]:
    """Return the destinations that may be told, each with the zone of the first subscription that has one."""
    zones: dict[str, str | None] = {}
    for subscription in subscriptions:
        hours = subscription.hours or subscription.quiet
        zone = subscription.zone or (hours.zone if hours is not None else None)
        for destination in subscription.destinations:
            if listeners.may_be_told(destination):
                zones[destination] = zones.get(destination) or zone
    return ((destination, zone or "UTC") for destination, zone in zones.items())


def _counts(
    destination: str, zone: str, messages: Iterable[PreviewMessage], begin: datetime, until: datetime
) -> PreviewCounts:
    clock = ZoneInfo(zone)
    own = [message for message in messages if message.destination == destination]
    local = [message.at.astimezone(clock) for message in own]
    days = Counter(moment.date() for moment in local)
    hours = Counter(moment.replace(minute=0, second=0, microsecond=0).astimezone(UTC) for moment in local)
    levels = Counter(message.level for message in own)
    first, last = begin.astimezone(clock).date(), (until - _INSTANT).astimezone(clock).date()
    return PreviewCounts(
        destination=destination,
        zone=zone,
        messages=len(own),
        by_day=tuple((day, days[day]) for day in (first + timedelta(n) for n in range((last - first).days + 1))),
        at_night=sum(moment.hour >= NIGHT_BEGINS_H or moment.hour < NIGHT_ENDS_H for moment in local),
        by_level=tuple((level, levels[level]) for level in (*sorted(Level, reverse=True), None)),
        busiest_hour=max(hours.items(), key=lambda item: (item[1], -item[0].timestamp()), default=None),
    )
