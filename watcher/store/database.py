"""Connections and transactions: SQLite with one engine that reads and one that writes, or PostgreSQL with one for both.

A write on SQLite begins with BEGIN IMMEDIATE. It waits at the start, where waiting is allowed; a transaction that turns
from reading to writing is refused at once when another one writes. Whatever the database says against a request leaves
here as a StoreError in plain words.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Lock
from time import monotonic, sleep
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, SQLAlchemyError
from sqlalchemy.pool import NullPool, QueuePool

from watcher.errors import StoreError

# How long a request waits for another program's write; `?timeout=3` in the URL says otherwise.
_WAIT_S = 10.0
_STEP_S = 0.01
# A database server that is gone without a word is noticed within some ten seconds (libpq's parameters, in seconds; the
# last in milliseconds).
_PATIENCE = {
    "connect_timeout": 5,
    "keepalives_idle": 3,
    "keepalives_interval": 2,
    "keepalives_count": 3,
    "tcp_user_timeout": 8000,
}


class Database:
    """One database: `read()` and `write()` open its transactions. May be used from several threads.

    Parameters
    ----------
    url
        An SQLAlchemy URL, such as ``sqlite:///hoarline.db``.

    Raises
    ------
    StoreError
        The URL cannot be used.
    """

    def __init__(self, url: str) -> None:
        self._url = _usable(url)
        self.name = self._url.render_as_string(hide_password=True)
        # SQLite takes one writer at a time. Threads of this process queue here, which is fairer than its busy wait.
        self._writing = Lock()
        self._reader, self._writer, self._alone = self._engines()
        driver = self._reader.dialect.loaded_dbapi
        self._driver_error: type[Exception] = driver.Error

    @property
    def is_sqlite(self) -> bool:
        """Whether the database is a file of this machine."""
        return self._url.get_backend_name() == "sqlite"

    @property
    def file(self) -> Path | None:
        """The file of an SQLite database."""
        return Path(self._url.database) if self.is_sqlite and self._url.database else None

    def close(self) -> None:
        """Close all connections."""
        self._reader.dispose()
        self._writer.dispose()

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """Open a transaction that sees one state of the database from its first query to its last."""
        with self.plain_errors(), self._reader.connect() as connection:
            yield connection

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """Open a transaction that is committed whole when the block ends, and rolled back whole when it raises."""
        with self.plain_errors(), self._writing, self._writer.begin() as connection:
            yield connection

    def own_connection(self) -> Any:  # noqa: ANN401 - of either driver
        """Open a connection of the driver's for one purpose; whoever asked closes it. It is in no pool.

        On PostgreSQL each statement is a transaction of its own.
        """
        with self.plain_errors():
            pooled = self._alone.raw_connection()
            driver = pooled.driver_connection
            pooled.detach()
            if driver is not None and not self.is_sqlite:
                driver.autocommit = True
            return driver

    def _engines(self) -> tuple[Engine, Engine, Engine]:
        try:
            if not self.is_sqlite:
                engine = create_engine(self._url, pool_pre_ping=True, connect_args=_PATIENCE)
                return engine, engine, create_engine(self._url, connect_args=_PATIENCE, poolclass=NullPool)
            wait = {"timeout": self._wait_s}
            reader = create_engine(self._url, connect_args=wait)
            writer = create_engine(self._url, connect_args=wait, poolclass=QueuePool, pool_size=1, max_overflow=0)
            alone = create_engine(self._url, connect_args=wait | {"check_same_thread": False}, poolclass=NullPool)
        except (ArgumentError, ImportError, ValueError) as error:
            raise StoreError(f"{self.name}: cannot be used as a database ({error})") from error
        # A file keeps WAL once a writer has set it. Looking at a file must not change it, so readers do not.
        event.listen(writer, "connect", lambda connection, _record: _use_wal(connection, self._wait_s))
        for engine, begin in ((reader, "BEGIN"), (writer, "BEGIN IMMEDIATE")):
            event.listen(engine, "connect", _set_up)
            event.listen(engine, "begin", _beginning(begin))
        return reader, writer, alone

    @property
    def _wait_s(self) -> float:
        return float(str(self._url.query.get("timeout", _WAIT_S)))

    @contextmanager
    def plain_errors(self) -> Iterator[None]:
        """Let what the database says against something leave as a StoreError in plain words."""
        try:
            yield
        except DBAPIError as error:
            raise StoreError(f"{self.name}: {_in_plain_words(str(error.orig))}") from error
        except self._driver_error as error:
            raise StoreError(f"{self.name}: {_in_plain_words(str(error))}") from error
        except SQLAlchemyError as error:
            raise StoreError(f"{self.name}: the database failed ({error})") from error


def _usable(url: str) -> URL:
    try:
        parsed = make_url(url)
    except ArgumentError as error:
        raise StoreError(
            "the database URL cannot be read; write for example sqlite:///hoarline.db or "
            "postgresql+psycopg://user@host/hoarline"
        ) from error
    if parsed.get_backend_name() not in {"sqlite", "postgresql"}:
        raise StoreError(f"{parsed.get_backend_name()}: no database for this program; use sqlite or postgresql")
    if parsed.get_backend_name() == "sqlite" and parsed.database in {None, "", ":memory:"}:
        raise StoreError("a database in memory forgets everything at the end; name a file: sqlite:///hoarline.db")
    return parsed


def _set_up(connection: sqlite3.Connection, _record: object) -> None:
    # None: the driver begins no transaction by itself; the listener for "begin" does.
    connection.isolation_level = None
    # FULL: a commit is on the disk before anything is sent because of it, also when the power fails.
    for pragma in ("synchronous = FULL", "foreign_keys = ON"):
        connection.execute(f"PRAGMA {pragma}").close()


def _use_wal(connection: sqlite3.Connection, wait_s: float) -> None:
    """Change the journal. SQLite refuses at once where several do that to a fresh file; this waits for its turn."""
    until = monotonic() + wait_s
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL").close()
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or monotonic() >= until:
                raise
            sleep(_STEP_S)
        else:
            return


def _beginning(statement: str) -> Callable[[Connection], None]:
    def begin(connection: Connection) -> None:
        connection.exec_driver_sql(statement)

    return begin


_PLAIN_WORDS = (
    ("locked", "another program is writing to the database and did not finish in time"),
    ("full", "no room is left on the disk for the database"),
    ("readonly", "the database may not be written to by this user"),
    ("unable to open", "the database cannot be opened; does its folder exist, and may this user write there?"),
    ("not a database", "this file is no database"),
    ("malformed", "the database is damaged; restore it from a copy"),
    ("disk I/O", "the disk failed while the database was in use"),
)


def _in_plain_words(message: str) -> str:
    for sign, words in _PLAIN_WORDS:
        if sign in message:
            return f"{words} ({message})"
    return f"the database failed ({message})"
