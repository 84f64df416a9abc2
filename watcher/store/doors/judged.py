"""What the judgement reads and what one turn of it writes."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from watcher.alerts.changes import Changes
from watcher.alerts.model import StationView
from watcher.alerts.outbox import Told
from watcher.reports.station import Station
from watcher.store import acknowledgements, episodes, kept, owing, protections, reports, states, told, views
from watcher.store.doors.door import Door
from watcher.store.leadership import fence
from watcher.store.news import tell


class Judged(Door):
    """What a turn of the judgement finds, and what it leaves."""

    def load(
        self, stations: Sequence[Station], *, now: datetime, history: timedelta = timedelta(hours=12)
    ) -> dict[str, StationView]:
        """Return a view of every given station, by code, as it stood after the last commit.

        Parameters
        ----------
        stations
            A station that was never judged has a blank view.
        now, history
            Moments of the history go back this far. Expectations are left to be computed (None).
        """
        with self._database.read() as connection:
            return views.read_views(connection, stations, now - history)

    def versions(self) -> dict[str, int]:
        """Return the version of every station that was ever judged."""
        with self._database.read() as connection:
            return states.versions(connection)

    def station_codes(self) -> frozenset[str]:
        """Return the codes of all stations that were ever judged."""
        with self._database.read() as connection:
            return views.station_codes(connection)

    def blind_stations(self) -> frozenset[str]:
        """Return the codes of the stations that were blind after their last commit."""
        with self._database.read() as connection:
            return views.blind_stations(connection)

    def told(self, now: datetime) -> dict[tuple[str, str], Told]:
        """Return by (destination, subject id) what each was last told of open episodes, blind stations and in digests.

        Messages that are dead, expired, or past their time at `now` told nobody anything.
        """
        with self._database.read() as connection:
            return told.read_told(connection, now)

    def commit(self, changes: Changes, term: int | None = None) -> None:
        """Write what one turn of the cycle made: all of it or nothing.

        A report, a text that cannot be read and an event owed to a destination are kept once; repeats are left out.

        Parameters
        ----------
        changes
            What the turn made.
        term
            Of the leader that took the turn; None: whoever took it stands in no election.

        Raises
        ------
        StoreConflict
            A station or a protection has another version than its change was made from; load and judge again.
        NotLeader
            The term is over.
        """
        made = changes.stations
        with self._database.write() as connection:
            fence(connection, term)
            states.write_states(connection, made)
            reports.write_reports(connection, made)
            reports.write_unreadable(connection, changes.unreadable)
            episodes.write_episodes(connection, [item for change in made for item in change.episodes])
            episodes.write_events(connection, [item for change in made for item in change.events])
            episodes.write_digests(connection, changes.digests)
            protections.write_protections(connection, changes.protections)
            episodes.write_events(connection, changes.protection_events)
            episodes.write_events(connection, changes.service_events)
            owing.write_deliveries(connection, changes.deliveries, changes.at)
            if changes.acknowledged is not None:
                acknowledgements.notice(connection, changes.acknowledged)
            tell(connection)

    def term(self) -> int:
        """Return the number of the term of the process that leads, or led last; 0 before the first."""
        with self._database.read() as connection:
            return kept.last_term(connection)
