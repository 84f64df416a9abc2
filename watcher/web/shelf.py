"""What a reader of feeds and calendars reads: the alerts of one station, or of all, as entries and as periods."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from watcher.alerts.model import EventType
from watcher.links import ALL, authority
from watcher.notify import atom, calendar
from watcher.store.model import Lately
from watcher.units import clock_z
from watcher.web.house import House

# What ended stays so long, so that whoever looks once a day sees the end of what they saw begin.
KEPT = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Shelf:
    """What one reader reads. Its methods ask the store, so they may block.

    `station`: None for all. `base`: the address of the service. `feed`: where the addresses of its own begin.
    """

    house: House
    station: str | None
    base: str
    feed: str

    @property
    def subject(self) -> str:
        """The word that lasts: the code of the station, or all."""
        return self.station or ALL

    def page(self, station: str) -> str:
        """Return the page of a station."""
        return f"{self.base}/stations/{station}"

    def alerts(self, cap_address: Callable[[str], str]) -> tuple[bytes, datetime]:
        """Return an Atom feed, and when it changed. `cap_address` gives the address of an event's message by its id."""
        entries = _entries(self._lately())
        document = atom.atom_feed(
            entries,
            atom.Addresses(f"{self.feed}/alerts.atom", self._home, self.page, cap_address),
            subject=self.subject,
            about=self._about,
            authority=authority(self.house.public_url),
            empty_at=self._empty_at,
        )
        return document, atom.changed_at(entries, self._empty_at)

    def expected(self) -> tuple[bytes, datetime]:
        """Return a calendar, and when it changed."""
        periods, now = _periods(self.house, self._lately()), self.house.clock()
        document = calendar.calendar(
            periods,
            now=now,
            subject=self.subject,
            about=self._about,
            authority=authority(self.house.public_url),
            page=self.page,
            home=self._home,
        )
        return document, calendar.changed_at(periods, now, self._empty_at)

    @property
    def _about(self) -> str:
        if self.station is None:
            return "all stations"
        name = self.house.watch.stations.get(self.station).name
        return f"{self.station} {name}" if name else self.station

    @property
    def _home(self) -> str:
        return self.page(self.station) if self.station is not None else f"{self.base}/"

    @property
    def _empty_at(self) -> datetime:
        """When nothing is told, the feed changes once a day: its age says that somebody still writes it."""
        return self.house.clock().replace(hour=0, minute=0, second=0, microsecond=0)

    def _lately(self) -> Lately:
        return self.house.store.lately(self.house.clock() - KEPT, self.station)


def _entries(lately: Lately) -> list[atom.Entry]:
    """Return an entry for each alert, and one for each time that a station was blind."""
    entries = [atom.Entry(episode.id, episode.opened_at or episode.began_at, event) for episode, event in lately.alerts]
    for event in lately.sights:
        since = event.body.begins_at or event.at
        entries.append(atom.Entry(f"{event.body.station}-blind-{clock_z(since)}", since, event))
    return entries


def _periods(house: House, lately: Lately) -> list[calendar.Period]:
    blind = {event.subject_id: event.body.begins_at for event in lately.sights if event.type is EventType.BLIND}
    return [
        calendar.Period(
            episode,
            event,
            house.watch.stations.get(episode.station),
            blind.get(episode.station) if episode.ended_at is None else None,
        )
        for episode, event in lately.alerts
    ]
