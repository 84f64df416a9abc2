"""What happened: episodes and their events."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime

from watcher.alerts.model import Episode, Event
from watcher.rulebook.words import Flag, Level
from watcher.store import episodes, kept, lately
from watcher.store.doors.door import Door
from watcher.store.model import EpisodesAsked, EventNumbers, Lately


class History(Door):
    """Episodes and events, those that go on and those that are over."""

    def episodes(self, open_only: bool) -> tuple[Episode, ...]:
        """Return the episodes, all or those that have not ended, by station and number."""
        with self._database.read() as connection:
            return episodes.read_episodes(connection, open_only=open_only)

    def episode(self, episode_id: str) -> Episode | None:
        """Return one episode by its name, open or over; None when there is none."""
        with self._database.read() as connection:
            return episodes.read_episode(connection, episode_id)

    def told_episodes(self, asked: EpisodesAsked, limit: int) -> tuple[tuple[Episode, Event | None], ...]:
        """Return episodes that somebody was told of, the last to begin first, each with its last event while kept."""
        with self._database.read() as connection:
            return lately.told_episodes(connection, asked, limit)

    def ended(
        self,
        limit: int,
        *,
        station: str | None = None,
        flag: Flag | None = None,
        min_level: Level = Level.NOTE,
        before: str | None = None,
    ) -> tuple[tuple[Episode, Event], ...]:
        """Return the episodes that ended, of those that somebody was told of, the last to end first.

        Parameters
        ----------
        limit
            How many at most.
        station, flag, min_level
            Only those there, of it, or with at least this last level.
        before
            The name of an episode: only those that come after it in this order.

        Returns
        -------
        tuple
            Each episode with its last event.
        """
        with self._database.read() as connection:
            return lately.ended(connection, limit, station, flag, min_level, before)

    def lately(self, since: datetime, station: str | None = None) -> Lately:
        """Return the alerts and blind stations that stand or ended after a time, of one station or of all."""
        with self._database.read() as connection:
            return Lately(
                lately.alerts_since(connection, since, station), lately.sights_since(connection, since, station)
            )

    def events_after(self, last_rowid: int, limit: int) -> tuple[tuple[int, Event], ...]:
        """Return up to `limit` events added after a row, oldest first, each with its own row; 0 is before the first."""
        with self._database.read() as connection:
            return episodes.events_after(connection, last_rowid, limit)

    def events_between(self, begin: datetime, end: datetime) -> tuple[Event, ...]:
        """Return the events made from a time up to and with another, oldest first."""
        with self._database.read() as connection:
            return episodes.events_between(connection, begin, end)

    def events_named(self, ids: Collection[str]) -> dict[str, Event]:
        """Return events by their names, such as ``XNOR-17.2``; those that are not kept are left out."""
        with self._database.read() as connection:
            return episodes.events_named(connection, ids)

    def events_of(self, subject_id: str) -> tuple[Event, ...]:
        """Return all events of an episode, a station, a protection or a line of digests, in their order."""
        with self._database.read() as connection:
            return episodes.events_of(connection, subject_id)

    def newest_event(self, subject_id: str) -> Event | None:
        """Return the last event of an episode or a station; None when there is none."""
        with self._database.read() as connection:
            return episodes.newest_event(connection, subject_id)

    def event_numbers(self) -> EventNumbers:
        """Return how far the numbers of the events go, and up to which of them some were removed."""
        with self._database.read() as connection:
            removed_to = kept.events_removed_to(connection)
            return EventNumbers(max(episodes.newest_number(connection), removed_to), removed_to)
