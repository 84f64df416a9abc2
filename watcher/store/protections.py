"""The rows of treated aircraft, each fenced by its version, and the reports that one of them stood in."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from pydantic import TypeAdapter
from sqlalchemy import BindParameter, Connection, RowMapping, bindparam, insert, select, update

from watcher.errors import StoreConflict
from watcher.store.tables import protection
from watcher.store.upsert import in_portions
from watcher.treatment.protection import Protection

_BODY = TypeAdapter(Protection)
_MARK = "-P"


def add_protection(connection: Connection, item: Protection) -> Protection:
    """Add a protection; return it with the name it gets."""
    row = {**_row(item), "station": item.station, "version": 1}
    number = connection.execute(insert(protection).values(row).returning(protection.c.number)).scalar_one()
    return replace(item, id=_name(item.station, number), version=1)


def write_protections(connection: Connection, items: Iterable[Protection]) -> None:
    """Write protections as they now stand.

    Raises
    ------
    StoreConflict
        One was changed by somebody else since it was read.
    """
    items = tuple(items)
    if not items:
        return
    found = _versions(connection, [_number(item.id) or 0 for item in items])
    late = [item.id for item in items if found.get(_number(item.id) or 0) != item.version]
    if late:
        raise StoreConflict(f"changed by another process since they were loaded: {', '.join(late[:5])}")
    statement = update(protection).where(protection.c.number == bindparam("of_number"))
    values: dict[str, BindParameter[object]] = {
        name: bindparam(f"new_{name}") for name in ("version", "ended_at", "body")
    }
    connection.execute(statement.values(values), [_new_values(item) for item in items])


def read_protections(connection: Connection, *, live_only: bool) -> tuple[Protection, ...]:
    """Return protections in the order in which they were begun."""
    query = select(protection).order_by(protection.c.number)
    if live_only:
        query = query.where(protection.c.ended_at.is_(None))
    return tuple(_of(row) for row in connection.execute(query).mappings())


def read_protection(connection: Connection, name: str) -> Protection | None:
    """Return one protection by its name; None when there is none."""
    number = _number(name)
    row = connection.execute(select(protection).where(protection.c.number == number)).mappings().first()
    found = _of(row) if row is not None else None
    return found if found is not None and found.id == name else None


def _versions(connection: Connection, numbers: Sequence[int]) -> dict[int, int]:
    found: dict[int, int] = {}
    for some in in_portions(numbers):
        # The lock is for PostgreSQL: on SQLite a transaction that writes is alone from its beginning.
        query = (
            select(protection.c.number, protection.c.version)
            .where(protection.c.number.in_(some))
            .order_by(protection.c.number)
            .with_for_update()
        )
        found.update(connection.execute(query).all())
    return found


def _new_values(item: Protection) -> dict[str, object]:
    row = {**_row(item), "version": item.version + 1}
    return {"of_number": _number(item.id), **{f"new_{name}": value for name, value in row.items()}}


def _row(item: Protection) -> dict[str, object]:
    # The name and the version are the row's own.
    body = _BODY.dump_json(replace(item, id="", version=0)).decode()
    return {"ended_at": item.ended_at, "body": body}


def _of(row: RowMapping) -> Protection:
    found = _BODY.validate_json(row["body"])
    return replace(found, id=_name(row["station"], row["number"]), version=row["version"])


def _name(station: str, number: int) -> str:
    return f"{station}{_MARK}{number}"


def _number(name: str) -> int | None:
    number = name.rpartition(_MARK)[2]
    # Longer numbers than the column has room for are nobody's.
    return int(number) if number.isdecimal() and len(number) < 10 else None
