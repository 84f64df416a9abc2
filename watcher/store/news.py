"""Notices that something was written, by whichever process: PostgreSQL says so, an SQLite file is looked at."""

from __future__ import annotations

import time
from typing import Any

from sqlalchemy import Connection, text

from watcher.errors import StoreError
from watcher.store.database import Database

CHANNEL = "hoarline"
_LOOK_EVERY_S = 0.2


def tell(connection: Connection) -> None:
    """Let other processes know, when this transaction is committed. On SQLite they see it by themselves."""
    if connection.dialect.name == "postgresql":
        connection.execute(text(f"NOTIFY {CHANNEL}"))


class News:
    """One listener. Its methods block; not for several threads at once, but `close` may be called at any time."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._connection: Any = None
        self._seen: int | None = None
        self._closed = False

    def wait(self, timeout_s: float) -> bool:
        """Wait until something was written, or for so long; return whether there may be something new.

        Raises
        ------
        StoreError
            The database does not answer. The next call tries again, and then says that there may be news.
        """
        first = self._connection is None
        try:
            if self._connection is None:
                self._connection = self._begun()
            heard = self._looked(timeout_s) if self._database.is_sqlite else self._heard(timeout_s)
        except StoreError:
            self._let_go()
            raise
        return first or heard

    def close(self) -> None:
        """Listen no more; a call that waits comes back soon."""
        self._closed = True
        if not self._database.is_sqlite:
            self._let_go()

    def _begun(self) -> Any:  # noqa: ANN401 - of either driver
        connection = self._database.own_connection()
        if not self._database.is_sqlite:
            try:
                with self._database.plain_errors():
                    connection.execute(f"LISTEN {CHANNEL}")
            except BaseException:
                connection.close()
                raise
        return connection

    def _heard(self, timeout_s: float) -> bool:
        with self._database.plain_errors():
            return any(True for _ in self._connection.notifies(timeout=timeout_s, stop_after=1))

    def _looked(self, timeout_s: float) -> bool:
        """Look at the counter that SQLite raises with each commit of another connection."""
        until = time.monotonic() + timeout_s
        while not self._closed:
            before, self._seen = self._seen, self._version()
            if before is not None and before != self._seen:
                return True
            if time.monotonic() >= until:
                return False
            time.sleep(_LOOK_EVERY_S)
        self._let_go()
        return False

    def _version(self) -> int:
        with self._database.plain_errors():
            (version,) = self._connection.execute("PRAGMA data_version").fetchone()
            return int(version)

    def _let_go(self) -> None:
        connection, self._connection, self._seen = self._connection, None, None
        if connection is not None:
            connection.close()
