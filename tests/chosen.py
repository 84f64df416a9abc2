"""The database that tests run on: an SQLite file, or with HOARLINE_TEST_DATABASE=postgresql one of a real server.

There is one server for all tests of a run, and a database for each path that a test would have its file at.
"""

from __future__ import annotations

import os
import shutil
from contextlib import ExitStack
from functools import cache
from pathlib import Path

from tests.databases import Cluster, cluster
from watcher.store.copying import copy_database
from watcher.store.tables import metadata

_CHOSEN = os.environ.get("HOARLINE_TEST_DATABASE", "sqlite")
if _CHOSEN not in {"sqlite", "postgresql"}:
    raise ValueError(f"HOARLINE_TEST_DATABASE is {_CHOSEN}; it may be sqlite or postgresql")
ON_POSTGRESQL = _CHOSEN == "postgresql"

_running = ExitStack()
_databases: dict[Path, tuple[str, ExitStack]] = {}


def database_at(path: Path | str, like: Path | None = None) -> str:
    """Return the URL of the database that stands for a file, always the same one for the same path.

    On PostgreSQL it has its tables from the beginning; a file gets them from whoever opens it. `like`: an SQLite file
    with rows, of which it is a copy.
    """
    path = Path(path).resolve()
    if not ON_POSTGRESQL:
        if like is not None:
            shutil.copyfile(like, path)
        return f"sqlite:///{path}"
    return database_on_server(path, like)


def database_of_an_example(folder: Path | str) -> str:
    """Return the URL of an empty database for one of the many examples of a test.

    A file in that folder. A server makes one database in the time of some ten examples: they have the same one after
    each other, emptied before each.
    """
    if not ON_POSTGRESQL:
        return f"sqlite:///{Path(folder).resolve()}/hoarline.db"
    url = database_on_server(Path("/examples/hoarline.db"))
    emptying = "; ".join(f'DELETE FROM "{table.name}"' for table in reversed(metadata.sorted_tables))
    with _server()[0].connect(_name_of(url)) as connection:
        connection.execute(emptying)
    return url


def database_on_server(path: Path, like: Path | None = None) -> str:
    """Return the URL of the PostgreSQL database that stands for a file, whatever the tests run on."""
    if path not in _databases:
        stack = ExitStack()
        template = _filled(like) if like is not None else _server()[1]
        _databases[path] = stack.enter_context(_server()[0].database(template)), stack
    return _databases[path][0]


def databases() -> frozenset[Path]:
    """Return for which paths there are databases on the server."""
    return frozenset(_databases)


def drop_databases_but(kept: frozenset[Path]) -> None:
    """Drop the databases on the server, all but some."""
    for path in databases() - kept:
        _, stack = _databases.pop(path)
        stack.close()


def stop() -> None:
    """Stop the server, where one was started."""
    drop_databases_but(frozenset())
    _running.close()


@cache
def _server() -> tuple[Cluster, str]:
    started = _running.enter_context(cluster())
    return started, started.make_template()


@cache
def _filled(source: Path) -> str:
    """Return the name of a database with the rows of an SQLite file, for others to be like."""
    server, template = _server()
    url = _running.enter_context(server.database(template))
    copy_database(f"sqlite:///{source}", url)
    return _name_of(url)


def _name_of(url: str) -> str:
    return url.partition("?")[0].rpartition("/")[2]
