"""Rows for every table there is, made from the tables' own description: a table that is added later is filled too."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import Boolean, Column, Connection, Float, Integer, Table, insert, select

from watcher.store.columns import UtcTime
from watcher.store.database import Database
from watcher.store.leadership import Leadership
from watcher.store.store import Store
from watcher.store.tables import metadata

NOW = datetime(2026, 1, 12, 5, 50, 0, 123456, tzinfo=UTC)


def fill(url: str, rows: int = 3) -> dict[str, int]:
    """Put so many rows into every table, and return how many each has."""
    database = Database(url)
    try:
        with database.write() as connection:
            for table in metadata.sorted_tables:
                connection.execute(insert(table), [a_row(table, number) for number in range(1, rows + 1)])
        with database.read() as connection:
            return {table.name: len(all_of(connection, table)) for table in metadata.sorted_tables}
    finally:
        database.close()


def a_row(table: Table, number: int) -> dict[str, Any]:
    return {column.name: _value(column, number) for column in table.columns}


def _value(column: Column[Any], number: int) -> Any:
    if column.nullable and number % 3 == 0:
        return None
    if isinstance(column.type, UtcTime):
        return NOW + timedelta(minutes=number, microseconds=number)
    if isinstance(column.type, Boolean):
        return number % 2 == 0
    if isinstance(column.type, Integer):
        return number
    if isinstance(column.type, Float):
        return number / 3 - 1
    length = getattr(column.type, "length", None) or 64
    # The same name everywhere, so that what refers to a row of another table finds it.
    return f"{number}"[:length] if length < 24 or column.foreign_keys or column.unique else f"{number} Å “\n snø"


def all_of(connection: Connection, table: Table) -> list[tuple[Any, ...]]:
    return [tuple(row) for row in connection.execute(select(table).order_by(*table.primary_key.columns))]


def content(url: str) -> dict[str, list[tuple[Any, ...]]]:
    """Return all rows as the program reads them, of either database."""
    database = Database(url)
    try:
        with database.read() as connection:
            return {table.name: all_of(connection, table) for table in metadata.sorted_tables}
    finally:
        database.close()


@contextmanager
def a_leading_service(url: str) -> Iterator[Leadership]:
    store = Store.open(url)
    leadership = store.leadership()
    assert leadership.campaign() is not None
    try:
        yield leadership
    finally:
        leadership.resign()
        store.close()
