"""Inserts that look at what is there: both databases have them, each in its own dialect."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, TypeVar

from sqlalchemy import ARRAY, ColumnElement, Connection, Table, bindparam, func
from sqlalchemy.dialects import postgresql, sqlite

Row = Mapping[str, Any]
Dialect = sqlite.Insert | postgresql.Insert
_T = TypeVar("_T")

# Well below what either database takes as parameters of one statement.
_AT_ONCE = 4000


def insert_into(connection: Connection, table: Table) -> Dialect:
    """Return an insert of the dialect, which has `on_conflict_do_nothing` and `on_conflict_do_update`."""
    if connection.dialect.name == "postgresql":
        return postgresql.insert(table)
    return sqlite.insert(table)


def insert_new(connection: Connection, table: Table, rows: Sequence[Row]) -> None:
    """Insert rows; those that a unique key knows already are left out."""
    if rows:
        connection.execute(insert_into(connection, table).on_conflict_do_nothing(), rows)


def insert_or_replace(connection: Connection, table: Table, key: str, rows: Sequence[Row]) -> None:
    """Insert rows; where the key is there, its row gets the new values."""
    if rows:
        statement = insert_into(connection, table)
        new = {column.name: statement.excluded[column.name] for column in table.c if column.name != key}
        connection.execute(statement.on_conflict_do_update(index_elements=[table.c[key]], set_=new), rows)


def in_portions(items: Sequence[_T]) -> Iterator[Sequence[_T]]:
    """Return the items in portions that fit into one statement."""
    for begin in range(0, len(items), _AT_ONCE):
        yield items[begin : begin + _AT_ONCE]


def one_of(dialect: str, column: ColumnElement[Any], name: str) -> ColumnElement[bool]:
    """Return whether a column has one of the values that a statement is given under a name.

    For statements that are made once and asked often. PostgreSQL gets the values as one array: it knows the statement
    again, however many there are.
    """
    if dialect == "postgresql":
        return column == func.any(bindparam(name, type_=ARRAY(column.type)))
    return column.in_(bindparam(name, expanding=True))
