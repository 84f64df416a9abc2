"""The store: all that is remembered. What it can be asked stands in `watcher.store.doors`, by who asks."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Self

from sqlalchemy import select

from watcher.store import schema, thinning
from watcher.store.database import Database
from watcher.store.doors.history import History
from watcher.store.doors.in_hand import InHand
from watcher.store.doors.judged import Judged
from watcher.store.doors.keys import Keys
from watcher.store.doors.owed import Owed
from watcher.store.doors.readers import Readers
from watcher.store.doors.received import Received
from watcher.store.leadership import Leadership
from watcher.store.model import SchemaStatus, Thinned
from watcher.store.news import News


class Store(Judged, Received, History, Owed, Readers, Keys, InHand):
    """The database of one service. Its methods may be called from several threads and processes.

    Every method is one short transaction, and raises StoreError, in plain words, when the database refuses or fails;
    nothing is half done then.
    """

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

    def leadership(self) -> Leadership:
        """Return a part in the election of the process that polls and judges."""
        return Leadership(self._database)

    def news(self) -> News:
        """Return what notices that something was written, by whichever process."""
        return News(self._database)

    def schema_status(self) -> SchemaStatus:
        """Return how the schema stands to this program's."""
        return schema.status_of(self._database)

    def check(self) -> None:
        """Ask the database for an answer, for the health of the service."""
        with self._database.read() as connection:
            connection.execute(select(1)).scalar_one()

    def thin(self, before: datetime, at_most: timedelta | None = None) -> Thinned:
        """Remove reports, texts, finished deliveries, events and ended episodes of before a time, in short portions.

        What still goes on stays whole: reports that a view rests on, and all that was told of open episodes and blind
        stations.

        Parameters
        ----------
        before
            By the clock of this machine.
        at_most
            Go on from the last time by no more than so much: a clock that is far ahead for an hour must not take with
            it all that is remembered. None: go the whole way.
        """
        return thinning.thin(self._database, before, at_most)
