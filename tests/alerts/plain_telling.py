"""Who is owed what, restated plainly: from what each reader has read, and nothing that is remembered in between.

Slow, and without any of the arrangements of the code that tells. The hours and times that it is asked about are read off
the wall clock; none of their edges lies in an hour that a change of the clocks skips or repeats.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from watcher.alerts.model import Acknowledgement, Episode, Event, EventType, StationView
from watcher.alerts.outbox import NewDelivery
from watcher.alerts.subscribers import Circle, Hours, Subscription
from watcher.reports.station import Station
from watcher.rulebook.words import Flag, Kind, Level, NoTime

MINUTE = timedelta(minutes=1)
REMINDED_AT_MOST = 5
ENDED = {EventType.CLOSED, EventType.WITHDRAWN, EventType.SEEING}


@dataclass(frozen=True)
class Read:
    """One message as its reader has read it."""

    told_as: EventType
    event_id: str
    level: Level | None
    kind: Kind | None
    by: str | None
    at: datetime
    no_time: NoTime | None = None
    expected_from: datetime | None = None


@dataclass(frozen=True)
class Owed:
    """One message that a destination is owed."""

    destination: str
    subject_id: str
    told_as: EventType
    level: Level | None
    repeat: int = 0


@dataclass(frozen=True)
class Standing:
    """An open episode or a blind station: how things stand."""

    subject_id: str
    station: Station
    event_id: str
    flag: Flag | None = None
    level: Level | None = None
    kind: Kind | None = None
    by: str | None = None
    no_time: NoTime | None = None
    expected_from: datetime | None = None


class Readers:
    """What each destination has read of each subject, message by message; and who said that they have what in hand."""

    def __init__(self, reach: Mapping[Circle, frozenset[str]]) -> None:
        self._reach = reach
        self.read: dict[tuple[str, str], list[Read]] = {}
        self._hands: dict[str, tuple[str, Level]] = {}
        self._digests: dict[str, list[datetime]] = {}
        self._expected_from: dict[str, datetime | None] = {}

    def take(self, before: Mapping[str, StationView], acknowledgements: Iterable[Acknowledgement]) -> None:
        """Note who takes what: an open episode that nobody has, or that rose above where somebody took it."""
        for item in acknowledgements:
            for episode in _open_episodes(before.values()):
                if episode.id == item.episode and self._by(episode) is None:
                    self._hands[episode.id] = item.by, episode.level

    def holders(self, views: Iterable[StationView]) -> dict[str, str | None]:
        """Return who has each open episode in hand at its present level."""
        return {episode.id: self._by(episode) for episode in _open_episodes(views)}

    def owed(
        self,
        events: Sequence[Event],
        views: Iterable[StationView],
        subscriptions: Iterable[Subscription],
        destinations: Iterable[str],
        now: datetime,
    ) -> list[Owed]:
        """Return what is owed to the destinations that may be told, digests apart, in no order."""
        for event in events:
            self._expected_from[event.id] = _expected_from(event)
        active = [item for item in subscriptions if not item.paused and not item.only_digest]
        standing = list(self._standing(views))
        found = []
        for name in destinations:
            own = [item for item in active if name in item.destinations]
            for event in events:
                if event.type in ENDED and self._is_aware(name, event.subject_id):
                    found.append(Owed(name, event.subject_id, event.type, event.body.level))
            found.extend(item for it in standing if (item := self._of_one(name, it, own, now)) is not None)
        return found

    def digest_owed(
        self, name: str, subscriptions: Iterable[Subscription], now: datetime
    ) -> tuple[datetime, list[Subscription]] | None:
        """Return the time of the digest that a destination is owed, and what it is to list."""
        given = max(self._digests.get(name, []), default=datetime.min.replace(tzinfo=UTC))
        whole = now.replace(second=0, microsecond=0)
        due: dict[datetime, list[Subscription]] = {}
        for back in range(61):
            moment = whole - back * MINUTE
            for item in subscriptions:
                is_its_time = item.zone is not None and _wall(moment, item.zone) in item.digest_at
                if is_its_time and name in item.destinations and not item.paused and moment > given:
                    due.setdefault(moment, []).append(item)
        due = {moment: wanting for moment, wanting in due.items() if now - moment <= timedelta(hours=1)}
        if not due:
            return None
        return max(due), [item for wanting in due.values() for item in wanting]

    def listed(self, wanting: Sequence[Subscription], views: Iterable[StationView]) -> dict[str, Level | None]:
        """Return the stations that a digest lists with their worst level, None where they are only blind."""
        found: dict[str, Level | None] = {}
        for view in views:
            asking = [item for item in wanting if self._covers(item, view.station)]
            levels = [
                episode.level
                for episode in _open_episodes([view])
                if any(_asks_for(item, episode.flag, episode.level) for item in asking)
            ]
            if levels or (asking and view.state.blind_since is not None):
                found[view.station.code] = max(levels, default=None)
        return found

    def has_read(self, delivery: NewDelivery, event: Event) -> None:
        """Note that a destination was told."""
        if delivery.told_as is EventType.DIGEST:
            assert event.body.begins_at is not None
            self._digests.setdefault(delivery.destination, []).append(event.body.begins_at)
            return
        body = event.body
        read = Read(
            delivery.told_as,
            event.id,
            body.level,
            body.kind,
            body.by,
            delivery.made_at,
            body.no_time,
            _expected_from(event),
        )
        self.read.setdefault((delivery.destination, delivery.subject_id), []).append(read)

    def over(self, events: Iterable[Event]) -> None:
        """Close the book of what has ended: a station that is blind again is another story."""
        for event in events:
            if event.type in ENDED:
                for key in [key for key in self.read if key[1] == event.subject_id]:
                    del self.read[key]

    def _is_aware(self, name: str, subject_id: str) -> bool:
        return (name, subject_id) in self.read

    def _standing(self, views: Iterable[StationView]) -> Iterator[Standing]:
        for view in views:
            for it in _open_episodes([view]):
                event_id = f"{it.id}.{it.seq}"
                begins = self._expected_from[event_id]
                yield Standing(
                    it.id, view.station, event_id, it.flag, it.level, it.kind, self._by(it), it.no_time, begins
                )
            if view.state.blind_since is not None:
                yield Standing(view.station.code, view.station, f"{view.station.code}.{view.state.seq}")

    def _by(self, episode: Episode) -> str | None:
        by, level = self._hands.get(episode.id, (None, Level.NOTE))
        return by if episode.level <= level else None

    def _of_one(self, name: str, it: Standing, own: Sequence[Subscription], now: datetime) -> Owed | None:
        own = [item for item in own if self._covers(item, it.station)]
        read = self.read.get((name, it.subject_id))
        if read is None:
            opens = EventType.BLIND if it.flag is None else EventType.OPENED
            hears = any(_hears(item, it, it.level, now) for item in own)
            return Owed(name, it.subject_id, opens, it.level) if hears else None
        last = read[-1]
        change = _news(last, it, now)
        if change is not None:
            hears = any(_hears(item, it, level, now) for item in own for level in (it.level, last.level))
            return Owed(name, it.subject_id, change, it.level) if hears else None
        reminded = sum(item.told_as is EventType.REMINDER and item.event_id == it.event_id for item in read)
        if it.flag is not None and it.by is None and reminded < REMINDED_AT_MOST:
            waits = [item.remind_every for item in own if _hears(item, it, it.level, now)]
            if any(wait is not None and last.at + wait <= now for wait in waits):
                return Owed(name, it.subject_id, EventType.REMINDER, it.level, reminded + 1)
        return None

    def _covers(self, item: Subscription, station: Station) -> bool:
        if item.stations is None and not item.countries and not item.circles:
            return True
        inside = any(station.code in self._reach[circle] for circle in item.circles)
        return inside or station.code in (item.stations or ()) or station.country in item.countries


def _news(last: Read, it: Standing, now: datetime) -> EventType | None:
    if it.flag is None:
        return None
    assert last.level is not None
    assert it.level is not None
    if (last.kind, it.kind) == (Kind.EXPECTED, Kind.OBSERVED):
        return EventType.CONFIRMED
    if it.level > last.level:
        return EventType.RAISED
    if it.level < last.level:
        return EventType.LOWERED
    hopes = [NoTime.NONE, NoTime.SPECIAL, NoTime.ALLOWANCE]
    if last.no_time is not None and it.no_time is not None and last.no_time is not it.no_time:
        worse = hopes.index(it.no_time) < hopes.index(last.no_time)
        return EventType.RAISED if worse else EventType.LOWERED
    if last.expected_from is not None and it.expected_from is not None:
        hours_gained = (last.expected_from - max(now, it.expected_from)) / timedelta(hours=1)
        if hours_gained >= 1:
            return EventType.RAISED
    return EventType.TAKEN if it.by is not None and it.by != last.by else None


def _expected_from(event: Event) -> datetime | None:
    """Return from when an event says that something is expected; None where it says no such thing."""
    return event.body.begins_at if event.body.kind is Kind.EXPECTED else None


def _hears(item: Subscription, it: Standing, level: Level | None, now: datetime) -> bool:
    in_hours = _reads_within(item.hours, now, always=True) and not _reads_within(item.quiet, now, always=False)
    if it.flag is None or level is None:
        return in_hours
    any_hour = level is Level.NO_TIME and item.no_time_ignores_hours
    return _asks_for(item, it.flag, level) and (in_hours or any_hour)


def _asks_for(item: Subscription, flag: Flag, level: Level) -> bool:
    if item.flags is None or flag in item.flags:
        return level >= item.min_level
    return level is Level.NO_TIME and Flag.NO_HOLDOVER in item.flags


def _reads_within(hours: Hours | None, now: datetime, *, always: bool) -> bool:
    if hours is None:
        return always
    wall = now.astimezone(ZoneInfo(hours.zone)).time()
    if hours.begin < hours.end:
        return hours.begin <= wall < hours.end
    return wall >= hours.begin or wall < hours.end


def _wall(moment: datetime, zone: str) -> object:
    return moment.astimezone(ZoneInfo(zone)).time()


def _open_episodes(views: Iterable[StationView]) -> Iterator[Episode]:
    return (episode for view in views for episode in view.episodes if episode.opened_at is not None)
