"""The store: one door to all that is remembered. Each method is one short transaction."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime, timedelta
from typing import Self

from sqlalchemy import select

from watcher.alerts.model import Changes, Episode, Event, StationView, Told
from watcher.alerts.outbox import Claimed, Settled
from watcher.reports.model import Report
from watcher.reports.station import Station
from watcher.store import claims, destinations, episodes, outbox, reports, schema, states, thinning, told, views
from watcher.store.database import Database
from watcher.store.model import Delivery, Disabled, SchemaStatus, Thinned


class Store:
    """The database of one service. Its methods may be called from several threads and processes.

    Every method raises StoreError, in plain words, when the database refuses or fails; nothing is half done then.
    """

    def __init__(self, database: Database) -> None:
        self._database = database

    @classmethod
    def open(cls, url: str, *, create: bool = True) -> Self:
        """Open the database at an SQLAlchemy URL; a fresh SQLite file gets its tables.

        Parameters
        ----------
        url
            Such as ``sqlite:///hoarline.db``; ``?timeout=3`` sets how many seconds a request waits for its turn.
        create
            Make the file where there is none. False: that is a StoreError.

        Raises
        ------
        SchemaError
            The database has another schema than this program; the message says what to do.
        StoreError
            It cannot be opened.
        """
        database = Database(url)
        try:
            schema.make_ready(database, create=create)
        except BaseException:
            database.close()
            raise
        return cls(database)

    def close(self) -> None:
        """Close all connections."""
        self._database.close()

    def schema_status(self) -> SchemaStatus:
        """Return how the schema stands to this program's."""
        return schema.status_of(self._database)

    def check(self) -> None:
        """Ask the database for an answer, for the health of the service."""
        with self._database.read() as connection:
            connection.execute(select(1)).scalar_one()

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

    def station_codes(self) -> frozenset[str]:
        """Return the codes of all stations that were ever judged."""
        with self._database.read() as connection:
            return views.station_codes(connection)

    def commit(self, changes: Changes) -> None:
        """Write what one turn of the cycle made: all of it or nothing.

        A report, a text that cannot be read and an event owed to a destination are kept once; repeats are left out.

        Raises
        ------
        StoreConflict
            A station has another version than its change was made from; load and judge again.
        """
        made = changes.stations
        with self._database.write() as connection:
            states.write_states(connection, made)
            reports.write_reports(connection, made)
            reports.write_unreadable(connection, changes.unreadable)
            episodes.write_episodes(connection, [item for change in made for item in change.episodes])
            episodes.write_events(connection, [item for change in made for item in change.events])
            outbox.write_deliveries(connection, changes.deliveries)

    def told(self, now: datetime) -> dict[tuple[str, str], Told]:
        """Return by (destination, subject id) what each was last told of open episodes and blind stations.

        Messages that are dead, expired, or past their time at `now` told nobody anything.
        """
        with self._database.read() as connection:
            return told.read_told(connection, now)

    def episodes(self, open_only: bool) -> tuple[Episode, ...]:
        """Return the episodes, all or those that have not ended, by station and number."""
        with self._database.read() as connection:
            return episodes.read_episodes(connection, open_only=open_only)

    def events_after(self, last_rowid: int, limit: int) -> tuple[tuple[int, Event], ...]:
        """Return up to `limit` events added after a row, oldest first, each with its own row; 0 is before the first."""
        with self._database.read() as connection:
            return episodes.events_after(connection, last_rowid, limit)

    def unreadable(self, limit: int) -> tuple[Report, ...]:
        """Return the newest texts that could not be read, newest first."""
        with self._database.read() as connection:
            return reports.read_unreadable(connection, limit)

    def claim(
        self,
        now: datetime,
        *,
        limit: int,
        lease: timedelta,
        per_destination: int,
        skip: Collection[str] = (),
    ) -> tuple[Claimed, ...]:
        """Take deliveries that are due; the lease is committed before this returns.

        Nobody else gets a claimed delivery until it is settled or its lease runs out; then it may be claimed again,
        under the same id. A message waits while an earlier one of the same destination and subject is owed. Messages
        past their time are marked expired.

        Parameters
        ----------
        now
            The present.
        limit
            How many at most. Where there are more, every destination's first comes before anyone's second.
        lease
            How long the claimer has.
        per_destination
            How many a destination may have in flight, those of earlier claims counted.
        skip
            Destinations to leave alone, besides the disabled ones.
        """
        with self._database.write() as connection:
            return claims.claim(connection, now, limit=limit, lease=lease, per_destination=per_destination, skip=skip)

    def settle(self, results: Sequence[Settled], now: datetime) -> None:
        """Write down how claimed deliveries went. Settling twice, or after the lease ran out, does no harm."""
        if results:
            with self._database.write() as connection:
                outbox.settle(connection, results, now)

    def deliveries(self, limit: int, state: str | None = None) -> tuple[Delivery, ...]:
        """Return the newest deliveries, newest first; `state` pending, leased, sent, dead or expired: only those."""
        with self._database.read() as connection:
            return outbox.read_deliveries(connection, limit, state)

    def outbox_counts(self) -> dict[str, int]:
        """Return how many deliveries are in each of the five states."""
        with self._database.read() as connection:
            return outbox.counts(connection)

    def disable_destination(self, name: str, reason: str, now: datetime) -> None:
        """Send nothing more to a destination until it is enabled; what is owed to it waits, or expires."""
        with self._database.write() as connection:
            destinations.disable(connection, name, reason, now)

    def enable_destination(self, name: str) -> None:
        """Send to a destination again."""
        with self._database.write() as connection:
            destinations.enable(connection, name)

    def disabled_destinations(self) -> dict[str, Disabled]:
        """Return the disabled destinations by name, each with its reason."""
        with self._database.read() as connection:
            return destinations.disabled(connection)

    def thin(self, before: datetime) -> Thinned:
        """Remove reports, texts, finished deliveries, events and ended episodes of before a time, in short portions.

        What still goes on stays whole: reports that a view rests on, and all that was told of open episodes and blind
        stations.
        """
        return thinning.thin(self._database, before)
