"""All that one database holds, brought into an empty one, of the other kind too. All of it arrives, or nothing does."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from sqlalchemy import Column, Connection, Integer, Table, func, insert, quoted_name, select, text

from watcher.errors import StoreError
from watcher.store import schema
from watcher.store.database import Database
from watcher.store.leadership import Leadership
from watcher.store.model import SchemaState
from watcher.store.tables import metadata

# Rows of one insert. A report has some 400 bytes, so that a portion is some hundred kilobytes.
_PORTION = 1000


def copy_database(from_url: str, to_url: str, *, force: bool = False) -> Mapping[str, int]:
    """Copy every row, and return how many each table has.

    Parameters
    ----------
    from_url, to_url
        SQLAlchemy URLs. The target has no rows yet; where it has no tables either, they are made.
    force
        Copy though a service leads at the source. What it writes meanwhile is not in the copy.

    Raises
    ------
    SchemaError
        One of them has another schema than this program.
    StoreError
        A service leads, the target has rows, or a database failed. The target has no rows then.
    """
    source, target = Database(from_url), Database(to_url)
    try:
        schema.make_ready(source, create=False)
        with nobody_leads(source, force=force):
            _prepare(target)
            with source.read() as reading, target.write() as writing:
                if not source.is_sqlite:
                    # Several queries that see one state. SQLite's transactions do by themselves.
                    reading.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
                return _copied(reading, writing, target.name)
    finally:
        source.close()
        target.close()


@contextmanager
def nobody_leads(database: Database, *, force: bool = False) -> Iterator[None]:
    """Keep every service from leading at a database for as long as the block runs; StoreError where one does."""
    leadership = Leadership(database)
    try:
        if not (leadership.stand_in() or force):
            raise StoreError(f"{database.name}: a service leads here; stop it first, all of its processes")
        yield
    finally:
        leadership.resign()


def _prepare(target: Database) -> None:
    if schema.status_of(target).state is SchemaState.EMPTY:
        schema.upgrade_database(target)
    schema.make_ready(target, create=False)


def _copied(reading: Connection, writing: Connection, name: str) -> dict[str, int]:
    _keep_others_out(writing)
    filled = [table.name for table in metadata.sorted_tables if _count(writing, table)]
    if filled:
        raise StoreError(f"{name}: is not empty ({', '.join(filled)}); name a fresh database")
    counts = {}
    for table in metadata.sorted_tables:
        sent = _copy_rows(reading, writing, table)
        counts[table.name] = _count(writing, table)
        if not sent == counts[table.name] == _count(reading, table):
            raise StoreError(f"{name}: {table.name} has {counts[table.name]} rows after {sent} were sent; not kept")
        _go_on_counting(reading, writing, table)
    return counts


def _keep_others_out(writing: Connection) -> None:
    """Let nobody else write until the end. SQLite's writer is alone already."""
    if writing.dialect.name == "postgresql":
        names = ", ".join(_quoted(writing, table.name) for table in metadata.sorted_tables)
        writing.exec_driver_sql(f"LOCK TABLE {names} IN EXCLUSIVE MODE")


def _copy_rows(reading: Connection, writing: Connection, table: Table) -> int:
    keys = list(table.primary_key.columns)
    rows = reading.execution_options(yield_per=_PORTION).execute(select(table).order_by(*keys))
    sent = 0
    for portion in rows.mappings().partitions():
        writing.execute(insert(table), [dict(row) for row in portion])
        sent += len(portion)
    return sent


def _count(connection: Connection, table: Table) -> int:
    return connection.execute(select(func.count()).select_from(table)).scalar_one()


def _go_on_counting(reading: Connection, writing: Connection, table: Table) -> None:
    """Give no number twice: the target goes on after the last one that the source gave, removed rows included."""
    key = _counted(table)
    if key is None:
        return
    highest = reading.execute(select(func.max(key))).scalar() or 0
    last = max(highest, _last_given(reading, table, key))
    if last == 0:
        return
    if writing.dialect.name == "postgresql":
        sequence = {"table": _quoted(writing, table.name), "column": key.name, "last": last}
        writing.execute(text("SELECT setval(pg_get_serial_sequence(:table, :column), :last)"), sequence)
    elif _remembers(table):
        writing.execute(text("DELETE FROM sqlite_sequence WHERE name = :name"), {"name": table.name})
        given = {"name": table.name, "last": last}
        writing.execute(text("INSERT INTO sqlite_sequence (name, seq) VALUES (:name, :last)"), given)


def _last_given(reading: Connection, table: Table, key: Column[int]) -> int:
    if reading.dialect.name == "postgresql":
        asked = {"table": _quoted(reading, table.name), "column": key.name}
        sequence = reading.execute(text("SELECT pg_get_serial_sequence(:table, :column)"), asked).scalar_one()
        last, is_called = reading.exec_driver_sql(f"SELECT last_value, is_called FROM {sequence}").one()  # noqa: S608
        return int(last) if is_called else 0
    if not _remembers(table):
        return 0
    query = text("SELECT seq FROM sqlite_sequence WHERE name = :name")
    return int(reading.execute(query, {"name": table.name}).scalar() or 0)


def _counted(table: Table) -> Column[int] | None:
    """Return the key whose numbers the database gives."""
    key = table.autoincrement_column
    return key if key is not None and isinstance(key.type, Integer) else None


def _remembers(table: Table) -> bool:
    """Return whether SQLite keeps the last number that it gave, for when the row is removed."""
    return bool(table.dialect_options["sqlite"]["autoincrement"])


def _quoted(connection: Connection, name: str) -> str:
    return connection.dialect.identifier_preparer.quote(quoted_name(name, quote=None))
