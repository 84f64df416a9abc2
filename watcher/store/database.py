"""Connections and transactions: SQLite with one engine that reads and one that writes, or PostgreSQL with one for both.

A write on SQLite begins with BEGIN IMMEDIATE. It waits at the start, where waiting is allowed; a transaction that turns
from reading to writing is refused at once when another one writes. On PostgreSQL a read sees one state as on SQLite, a
write sees what others commit meanwhile and locks what it changes; no session waits or stays idle without end. Whatever
the database says against a request leaves here as a StoreError in plain words.
"""

from __future__ import annotations

import os
import re
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
from watcher.store.failures import in_plain_words
from watcher.store.owner import give_to_owner_of_folder

# How long a request waits for another program's write; `?timeout=3` in the URL says otherwise.
_WAIT_S = 10.0
# After so many of these a server ends a transaction in which nothing happens: of a process that hangs, or whose machine
# is gone. It must not keep the next leader out.
_WAITS_IDLE = 3
_STEP_S = 0.01
_HIDDEN = "***"
# A database server that is gone without a word is noticed within some ten seconds (libpq's parameters, in seconds; the
# last in milliseconds).
_PATIENCE = {
    "connect_timeout": 5,
    "keepalives_idle": 3,
    "keepalives_interval": 2,
    "keepalives_count": 3,
    "tcp_user_timeout": 8000,
}
# The same for the server, which else keeps the lock of a leader whose machine lost its power for two hours.
_PATIENCE_OF_SERVER = {
    "tcp_keepalives_idle": 3,
    "tcp_keepalives_interval": 2,
    "tcp_keepalives_count": 3,
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
        self.name = without_password(url)
        # SQLite takes one writer at a time. Threads of this process queue here, which is fairer than its busy wait.
        self._writing = Lock()
        self._counting, self._users, self._closed = Lock(), 0, False
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
        """Close all connections; those that another thread is using, when it has done."""
        with self._counting:
            self._closed = True
            if not self._users:
                self._dispose()

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """Open a transaction that sees one state of the database from its first query to its last."""
        with self.plain_errors(), self._in_use(), self._reader.connect() as connection:
            yield connection
            # Nothing was written. PostgreSQL's driver forgets at a rollback which statements it has prepared.
            connection.commit()

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """Open a transaction that is committed whole when the block ends, and rolled back whole when it raises."""
        with self.plain_errors(), self._in_use(), self._writing, self._writer.begin() as connection:
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

    @contextmanager
    def _in_use(self) -> Iterator[None]:
        """Count who uses a pool: a connection that comes back to one that is closed would stay open."""
        with self._counting:
            self._users += 1
        try:
            yield
        finally:
            with self._counting:
                self._users -= 1
                if self._closed and not self._users:
                    self._dispose()

    def _dispose(self) -> None:
        self._reader.dispose()
        self._writer.dispose()

    def _engines(self) -> tuple[Engine, Engine, Engine]:
        try:
            if not self.is_sqlite:
                return self._engines_of_server()
            wait = {"timeout": self._wait_s}
            reader = create_engine(self._url, connect_args=wait)
            writer = create_engine(self._url, connect_args=wait, poolclass=QueuePool, pool_size=1, max_overflow=0)
            alone = create_engine(self._url, connect_args=wait | {"check_same_thread": False}, poolclass=NullPool)
        except (ArgumentError, ImportError, ValueError) as error:
            raise StoreError(f"{self.name}: cannot be used as a database ({error})") from error
        for engine in (reader, writer, alone):
            event.listen(engine, "do_connect", lambda *_: self._make_file())
        # A file keeps WAL once a writer has set it. Looking at a file must not change it, so readers do not.
        event.listen(writer, "connect", lambda connection, _record: _use_wal(connection, self._wait_s))
        for engine, begin in ((reader, "BEGIN"), (writer, "BEGIN IMMEDIATE")):
            event.listen(engine, "connect", _set_up)
            event.listen(engine, "begin", _beginning(begin))
        return reader, writer, alone

    def _make_file(self) -> None:
        """Make a fresh file that its owner alone can read: the key of links and secrets of destinations stand in it.

        One that is there keeps its mode, and one that is named as a URI is left to SQLite. The files of the journal get
        mode and owner of this one from SQLite.
        """
        if self.file is None or self.file.exists() or "uri" in self._url.query:
            return
        try:
            number = os.open(self.file, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600)
        except FileExistsError:
            return  # another process was faster
        except OSError as error:
            words = "the database cannot be made; does its folder exist, and may this user write there?"
            raise StoreError(f"{self.name}: {words} ({error.strerror})") from error
        try:
            give_to_owner_of_folder(number, self.file.parent)
        finally:
            os.close(number)

    def _engines_of_server(self) -> tuple[Engine, Engine, Engine]:
        url = self._url.difference_update_query(["timeout"])
        writer = create_engine(url, pool_pre_ping=True, pool_timeout=self._wait_s, connect_args=_PATIENCE)
        alone = create_engine(url, connect_args=_PATIENCE, poolclass=NullPool)
        for engine in (writer, alone):
            event.listen(engine, "connect", lambda connection, _record: _bound(connection, self._wait_s))
        # One pool for both.
        reader = writer.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
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
            raise in_plain_words(self.name, error.orig or error) from error
        except self._driver_error as error:
            raise in_plain_words(self.name, error) from error
        except SQLAlchemyError as error:
            raise StoreError(f"{self.name}: the database failed ({error})") from error


def without_password(url: str) -> str:
    """Return the URL of a database as it may be shown: passwords masked, wherever in it they stand."""
    try:
        parsed = make_url(url)
    except ArgumentError:
        return _HIDDEN
    shown = parsed.update_query_dict({key: _HIDDEN for key in parsed.query if "password" in key})
    # A password with an @ that was not written %40 is parted there.
    return re.sub(r":\*\*\*@.*@", ":***@", shown.render_as_string(hide_password=True))


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


def _bound(connection: Any, wait_s: float) -> None:  # noqa: ANN401 - of the driver, which is loaded only where it is used
    """Let a session of PostgreSQL neither wait for others nor keep them waiting without end."""
    bounds = _PATIENCE_OF_SERVER | {
        "lock_timeout": round(1000 * wait_s),
        "idle_in_transaction_session_timeout": round(1000 * _WAITS_IDLE * wait_s),
    }
    asked = ", ".join(f"set_config('{name}', '{value}', false)" for name, value in bounds.items())
    connection.execute(f"SELECT {asked}").close()
    connection.commit()


def _beginning(statement: str) -> Callable[[Connection], None]:
    def begin(connection: Connection) -> None:
        connection.exec_driver_sql(statement)

    return begin
