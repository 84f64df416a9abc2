"""What would have been sent: the events of a rehearsal, told by the code that tells for real, and counted.

The whole time is told month by month, so that a long one takes no more memory than a short one. Messages that come up
together share one, as in the outbox. That sending may fail and is tried again, and that people take alerts in hand, is
left out.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from watcher.alerts.hindsight import Hindsight
from watcher.alerts.listeners import Listeners
from watcher.alerts.model import Event, Policy
from watcher.alerts.preview import NIGHT_BEGINS_H, NIGHT_ENDS_H, Line, PreviewMessage, grouped, lines_of, zones_of
from watcher.alerts.subscribers import Recipient, Subscription
from watcher.reports.station import Station
from watcher.rulebook.words import Flag, Level
from watcher.units import iso_z

# Whom a replay tells where the settings name nobody: everything from prepare, at one desk, grouped as mail is.
ONE_DESK = Subscription("everything from prepare", ("one desk",))
AT_ONE_DESK = Recipient("one desk", timedelta(seconds=20))

_DAY = timedelta(days=1)
# What still waits for company when the time ends is sent, too.
_LAST = timedelta(minutes=1)


@dataclass(frozen=True, slots=True)
class MessageLoad:
    """What one destination would have got, digests apart.

    `zone`: whose wall clock the days and hours are of. `alerts`: what the messages tell of, of which one message may
    carry several. `by_day`: days with messages. `days`: all of the time. `at_night`: messages between 22 and 06.
    `by_level`: by the worst level of each message, None: about blindness alone. `by_flag`, `by_station`: alerts told,
    flag None: blindness. `busiest_hour`: when the clock hour with the most messages began, and how many.
    """

    destination: str
    zone: str
    days: int
    messages: int
    alerts: int
    digests: int
    at_night: int
    by_day: Mapping[date, int]
    by_level: Mapping[Level | None, int]
    by_flag: Mapping[Flag | None, int]
    by_station: Mapping[str, int]
    busiest_hour: tuple[datetime, int] | None

    @property
    def busiest_day(self) -> tuple[date, int] | None:
        """The first of the days with the most messages, and how many."""
        return max(self.by_day.items(), key=lambda item: (item[1], -item[0].toordinal()), default=None)

    @property
    def a_day(self) -> float:
        """Messages a day, quiet days counted."""
        return self.messages / self.days if self.days else 0.0


def message_loads(
    events: Iterable[Event],
    subscriptions: Sequence[Subscription],
    recipients: Iterable[Recipient],
    *,
    station_of: Callable[[str], Station],
    begin: datetime,
    until: datetime,
    policy: Policy,
) -> tuple[MessageLoad, ...]:
    """Return what each destination would have got.

    Parameters
    ----------
    events
        By time; those of one time are of one turn.
    subscriptions, recipients
        Who is told what.
    station_of
        Gives the station of a code.
    begin, until
        The first and the last moment that counts. Aware UTC.
    policy
        The settings of the judgement.
    """
    listeners = Listeners(subscriptions, recipients)
    past = Hindsight(subscriptions, listeners, (), stations=station_of, policy=policy)
    tallies = {name: _Tally(ZoneInfo(zone)) for name, zone in zones_of(subscriptions, listeners)}

    def told() -> Iterator[Line]:
        coming = _Peek(map(_without_texts, events))
        for first, last in _months(begin, until + _LAST):
            past.go_on(coming.before(last), first, last)
            for _, destination in past.digests:
                tallies[destination].digests += 1
            yield from lines_of(past)

    for message in grouped(told()):
        tallies[message.destination].take(message)
    return tuple(tally.load(name, begin, until) for name, tally in tallies.items())


class _Peek:
    """Events that are taken up to a time, and go on from there."""

    def __init__(self, events: Iterator[Event]) -> None:
        self._events = events
        self._next = next(events, None)

    def before(self, moment: datetime) -> Iterator[Event]:
        """Yield the events before a time."""
        while self._next is not None and self._next.at < moment:
            yield self._next
            self._next = next(self._events, None)


@dataclass(slots=True)
class _Tally:
    """The messages of one destination while they are counted."""

    clock: ZoneInfo
    messages: int = 0
    alerts: int = 0
    digests: int = 0
    at_night: int = 0
    days: Counter[date] = field(default_factory=Counter)
    hours: Counter[datetime] = field(default_factory=Counter)
    levels: Counter[Level | None] = field(default_factory=Counter)
    flags: Counter[Flag | None] = field(default_factory=Counter)
    stations: Counter[str] = field(default_factory=Counter)

    def take(self, message: PreviewMessage) -> None:
        local = message.at.astimezone(self.clock)
        self.messages += 1
        self.alerts += len(message.items)
        self.at_night += local.hour >= NIGHT_BEGINS_H or local.hour < NIGHT_ENDS_H
        self.days[local.date()] += 1
        self.hours[local.replace(minute=0, second=0, microsecond=0).astimezone(UTC)] += 1
        self.levels[message.level] += 1
        for item in message.items:
            self.flags[item.event.body.flag] += 1
            self.stations[item.event.body.station] += 1

    def load(self, destination: str, begin: datetime, until: datetime) -> MessageLoad:
        first, last = begin.astimezone(self.clock).date(), until.astimezone(self.clock).date()
        return MessageLoad(
            destination=destination,
            zone=self.clock.key,
            days=(last - first) // _DAY + 1,
            messages=self.messages,
            alerts=self.alerts,
            digests=self.digests,
            at_night=self.at_night,
            by_day=dict(sorted(self.days.items())),
            by_level={level: self.levels[level] for level in (*sorted(Level, reverse=True), None)},
            by_flag=dict(self.flags.most_common()),
            by_station=dict(self.stations.most_common()),
            busiest_hour=max(self.hours.items(), key=lambda item: (item[1], -item[0].timestamp()), default=None),
        )


def _months(begin: datetime, until: datetime) -> Iterator[tuple[datetime, datetime]]:
    """Yield the parts of a time that lie in one month of UTC each, the end of each left out."""
    first = begin
    while first < until:
        following = (first.replace(day=1, hour=0, minute=0, second=0, microsecond=0) + 32 * _DAY).replace(day=1)
        yield first, min(following, until)
        first = following


def _without_texts(event: Event) -> Event:
    """Return an event without the texts that nobody counts."""
    return replace(event, body=replace(event.body, why="", next_step="", raw=None, forecast_raw=None))


def load_as_contract(load: MessageLoad) -> dict[str, object]:
    """Return a destination's messages for JSON."""
    hour, day = load.busiest_hour, load.busiest_day
    return {
        "destination": load.destination,
        "zone": load.zone,
        "days": load.days,
        "messages": load.messages,
        "messages_a_day": round(load.a_day, 2),
        "alerts_told": load.alerts,
        "digests": load.digests,
        "at_night": load.at_night,
        "busiest_day": {"day": day[0].isoformat(), "messages": day[1]} if day is not None else None,
        "busiest_hour": {"begins": iso_z(hour[0]), "messages": hour[1]} if hour is not None else None,
        "by_day": {day.isoformat(): count for day, count in load.by_day.items()},
        "by_level": {level.word if level is not None else "blind": count for level, count in load.by_level.items()},
        "by_flag": {flag.value if flag is not None else "blind": count for flag, count in load.by_flag.items()},
        "by_station": dict(load.by_station),
    }
