"""A copy of the SQLite file while it is in use, and back again. PostgreSQL has programs of its own for both."""

from __future__ import annotations

import os
import shlex
import sqlite3
import stat
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from datetime import datetime
from pathlib import Path

from sqlalchemy import URL, make_url

from watcher.errors import Problem, SchemaError, StoreError, UsageError
from watcher.store import schema
from watcher.store.copying import nobody_leads
from watcher.store.database import Database
from watcher.store.model import SchemaState
from watcher.store.owner import give_to_owner_of_folder


def backup(url: str, file: Path) -> int:
    """Write all that the database holds into a new file, readable by its owner only; return its size in bytes.

    The service may run. The file appears under its name when it is whole and was looked through.

    Raises
    ------
    UsageError
        The file is there already, or the database is PostgreSQL; the message has the command that saves it.
    StoreError
        A database or the disk failed.
    """
    source = _sqlite(url, "pg_dump --format=custom --file={file} --dbname={database}", file)
    with closing(source):
        if file.exists():
            raise UsageError([Problem(str(file), "is there already; a backup replaces nothing", "name another file")])
        schema.make_ready(source, create=False)
        with _written(source, file) as part:
            _put_in_place(part, file)
    return file.stat().st_size


def restore(url: str, file: Path, *, now: datetime, replace: bool = False) -> Path | None:
    """Bring back all that a backup holds; return the file that the database is kept in that was there before.

    Parameters
    ----------
    url
        The database of the service, which is stopped. It may be damaged.
    file
        Made by `backup`, by this program or an older one.
    now
        Names the file that keeps what was there.
    replace
        Go on though there is a database.

    Raises
    ------
    UsageError
        The database is PostgreSQL, or is there and `replace` is False.
    StoreError
        A service leads, the file is no whole backup, or the disk refuses. Nothing is changed then.
    """
    target = _sqlite(url, "pg_restore --clean --if-exists --single-transaction --dbname={database} {file}", file)
    assert target.file is not None
    with closing(target), nobody_leads(target):
        made_here = Database(f"sqlite:///{file}")
        with closing(made_here):
            _check(made_here, file)
            _may_replace(target.file, replace=replace)
            # All that needs room is done before what is there is touched.
            with _written(made_here, target.file) as part, _put_aside(target.file, now) as kept:
                _put_in_place(part, target.file)
        return kept


def _sqlite(url: str, instead: str, file: Path) -> Database:
    database = Database(url)
    if database.is_sqlite:
        return database
    database.close()
    command = instead.format(file=shlex.quote(str(file)), database=shlex.quote(libpq_url(url)))
    raise UsageError([Problem(database.name, "PostgreSQL saves itself", f"run: {command}")])


def libpq_url(url: str) -> str:
    """Return the URL of a database as PostgreSQL's own programs read it, without a password: those read ~/.pgpass."""
    parts = make_url(url)
    bare = URL.create("postgresql", parts.username, None, parts.host, parts.port, parts.database, parts.query)
    return bare.render_as_string(hide_password=False)


@contextmanager
def _written(source: Database, file: Path) -> Iterator[Path]:
    """Write a whole copy beside a file and look it through; it is removed where what follows fails."""
    part = file.with_name(f"{file.name}.part")
    with _plainly(file):
        part.unlink(missing_ok=True)
        # Keys and the secrets of destinations stand in it.
        os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    try:
        # In one step: with its journal as the store keeps it, a reader sees one state and stops no writer.
        with source.plain_errors(), closing(source.own_connection()) as reading, closing(sqlite3.connect(part)) as copy:
            reading.backup(copy)
            # One file that needs no other beside it.
            copy.execute("PRAGMA journal_mode = DELETE").close()
        _look_through(part)
        with _plainly(file):
            _to_the_disk(part)
            give_to_owner_of_folder(part, file.parent)
        yield part
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def _put_in_place(part: Path, file: Path) -> None:
    with _plainly(file):
        part.rename(file)
        _to_the_disk(file.parent)


def _check(backup_: Database, file: Path) -> None:
    if not file.is_file():
        raise StoreError(f"{file}: there is no such file")
    _look_through(file)
    found = schema.status_of(backup_)
    if found.state not in {SchemaState.CURRENT, SchemaState.OLDER}:
        what = "of a newer program" if found.state is SchemaState.NEWER else "no backup of this program"
        raise SchemaError(f"{file}: is {what}; nothing was changed")


def _may_replace(database: Path, *, replace: bool) -> None:
    if database.exists() and database.stat().st_size and not replace:
        raise UsageError([Problem(str(database), "is there already", "add --replace; it is kept beside the new one")])


@contextmanager
def _put_aside(database: Path, now: datetime) -> Iterator[Path | None]:
    """Rename the database with its journal, for its owner's eyes only: nobody works with it there.

    Where what follows fails, all is as it was. None where there is none. It is not opened: it may be damaged, which is
    why it is replaced.
    """
    if not database.exists():
        yield None
        return
    kept = database.with_name(f"{database.name}.replaced-{now:%Y%m%dT%H%M%SZ}")
    moved: list[tuple[Path, int, Path]] = []
    try:
        with _plainly(kept):
            for ending in ("-shm", "-wal", ""):
                part = database.with_name(database.name + ending)
                if part.exists():
                    mode = stat.S_IMODE(part.stat().st_mode)
                    moved.append((part, mode, part.rename(kept.with_name(kept.name + ending))))
                    _give_mode(moved[-1][-1], 0o600)
        yield kept
    except BaseException:
        for before, mode, after in reversed(moved):
            with _plainly(before):
                after.rename(before)
                _give_mode(before, mode)
        raise


def _give_mode(file: Path, mode: int) -> None:
    # One of another user's, who gave it its mode, keeps it: a restore does not fail for that.
    with suppress(PermissionError):
        file.chmod(mode)


def _look_through(file: Path) -> None:
    """Read every page, so that a damaged file is noticed while the one that it was made of is still there."""
    database = Database(f"sqlite:///{file}")
    with closing(database), database.read() as connection:
        found = connection.exec_driver_sql("PRAGMA integrity_check").scalars().all()
    if found != ["ok"]:
        raise StoreError(f"{file}: is damaged ({found[0]})")


@contextmanager
def _plainly(file: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise StoreError(f"{file}: cannot be written ({error.strerror})") from error


def _to_the_disk(path: Path) -> None:
    number = os.open(path, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)
