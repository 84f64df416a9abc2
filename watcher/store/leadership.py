"""Which of the processes at one database leads: polls, judges, thins. The others stand by and take over.

The leader holds a lock that its database, or the machine for an SQLite file, takes from it when it dies. PostgreSQL
takes it also from one that hangs: its session ends when nothing was heard from it for a minute. Each election has a
number, the term. A leader writes with its term; the store refuses a term that is over, so that one that was cut
off and does not know it yet can write nothing any more.
"""

from __future__ import annotations

import fcntl
import os
from contextlib import suppress
from io import FileIO
from typing import Any, Protocol

from sqlalchemy import Connection

from watcher.errors import NotLeader, StoreError
from watcher.store import kept
from watcher.store.database import Database
from watcher.store.owner import give_to_owner_of_folder
from watcher.store.turns import Turn, take_turn

# A leader says once a second that it is there. One that says nothing for so long hangs.
SILENT_S = 60.0


class _Lock(Protocol):
    def take(self) -> bool:
        """Take the lock where it is free; whoever has it keeps it."""

    def lose_when_silent(self, silent_s: float) -> None:
        """Let the lock end, where that can be, when nobody has asked `is_held` for so long."""

    def is_held(self) -> bool:
        """Return whether it is surely still ours."""

    def give_back(self) -> None:
        """Give it back."""


class Leadership:
    """The part that one process has in the election. Its methods block for a moment; not for several threads at once.

    Parameters
    ----------
    database
        The database; its lock is taken on a connection that nothing else uses.
    silent_s
        On PostgreSQL a leader that has not called `holds` for so long leads no more.
    """

    def __init__(self, database: Database, silent_s: float = SILENT_S) -> None:
        self._database = database
        self._silent_s = silent_s
        self._lock: _Lock = _FileLock(database) if database.is_sqlite else _SessionLock(database)

    def campaign(self) -> int | None:
        """Return the new term where this process leads from now on; None while another one does.

        Raises
        ------
        StoreError
            The database does not answer.
        """
        if not self._lock.take():
            return None
        try:
            self._lock.lose_when_silent(self._silent_s)
            with self._database.write() as connection:
                return kept.next_term(connection)
        except BaseException:
            self._lock.give_back()
            raise

    def holds(self) -> bool:
        """Return whether this process surely leads still; False gives the lock back, for another campaign."""
        if self._lock.is_held():
            return True
        self._lock.give_back()
        return False

    def stand_in(self) -> bool:
        """Keep others from leading, without a term and without leading; False while another process leads."""
        return self._lock.take()

    def resign(self) -> None:
        """Lead no more; another process may at once."""
        self._lock.give_back()


def fence(connection: Connection, term: int | None) -> None:
    """Begin the write of a turn, and refuse that of a leader whose term is over.

    Until the transaction ends, nobody else writes a turn and no other term begins. Term None: whoever writes is no
    leader and needs to be none.

    Raises
    ------
    NotLeader
        Another process has been elected since.
    """
    take_turn(connection, Turn.JUDGE)
    if term is not None and kept.held_term(connection) != term:
        raise NotLeader("another process leads by now; nothing was written")


class _SessionLock:
    """An advisory lock of PostgreSQL: it lives as long as the connection that took it."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._connection: Any = None
        self._held = False

    def take(self) -> bool:
        if self._connection is None:
            self._connection = self._database.own_connection()
        try:
            self._held = self._asked(f"SELECT pg_try_advisory_lock({Turn.LEAD.value})")
        except BaseException:
            self.give_back()
            raise
        return self._held

    def lose_when_silent(self, silent_s: float) -> None:
        self._asked(f"SELECT set_config('idle_session_timeout', '{round(1000 * silent_s)}', false)")

    def is_held(self) -> bool:
        try:
            return self._held and self._asked("SELECT true")
        except StoreError:
            return False

    def give_back(self) -> None:
        connection = self._connection
        if self._held:
            # The server learns some time later that a connection was closed. One that is dead has given it back.
            with suppress(StoreError):
                self._asked("SELECT true FROM pg_advisory_unlock_all()")
        self._connection, self._held = None, False
        if connection is not None:
            connection.close()

    def _asked(self, query: str) -> bool:
        with self._database.plain_errors():
            (answer,) = self._connection.execute(query).fetchone()
            return bool(answer)


class _FileLock:
    """A lock on a file beside the database: the machine lets go of it when the process ends, however it ends."""

    def __init__(self, database: Database) -> None:
        assert database.file is not None
        self._path = database.file.with_name(database.file.name + "-leader")
        self._file: FileIO | None = None

    def take(self) -> bool:
        if self._file is None:
            try:
                # For its owner alone: whoever can open it, if only to read, can hold the lock, and nobody leads.
                self._file = FileIO(self._path, "a", opener=lambda path, flags: os.open(path, flags, 0o600))
                give_to_owner_of_folder(self._file.fileno(), self._path.parent)
            except OSError as error:
                raise StoreError(f"{self._path}: cannot be opened ({error.strerror})") from error
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            self.give_back()
            return False
        return True

    def lose_when_silent(self, silent_s: float) -> None:
        """A file knows nobody's silence: a process that hangs on this machine is what its supervisor is for."""

    def is_held(self) -> bool:
        return self._file is not None

    def give_back(self) -> None:
        file, self._file = self._file, None
        if file is not None:
            file.close()
