"""Claiming: what may be sent now is somebody's from here on, for the time of a lease."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from datetime import datetime, timedelta
from functools import cache
from typing import Any

from sqlalchemy import Connection, RowMapping, Select, bindparam, select, update
from sqlalchemy.sql.dml import ReturningUpdate

from watcher.alerts.model import Event, EventType
from watcher.alerts.outbox import Claimed, Item
from watcher.store.destinations import disabled_names, forget
from watcher.store.due import WAITS, first_due
from watcher.store.episodes import events_named
from watcher.store.outbox import LEASED, instead_of, let_time_pass, level_of
from watcher.store.tables import delivery, delivery_event
from watcher.store.turns import Turn, take_turn
from watcher.store.upsert import in_portions, one_of

_MESSAGE = tuple(delivery.c[name] for name in ("number", "id", "destination", "attempts", "valid_until"))
_LINE = tuple(
    delivery_event.c[name]
    for name in ("delivery_id", "event_id", "told_as", "level", "subject_id", "repeat", "meant_for", "detour")
)


def lease_due(
    connection: Connection,
    now: datetime,
    *,
    limit: int,
    lease: timedelta,
    per_destination: int,
    skip: Collection[str],
) -> tuple[RowMapping, ...]:
    """Take deliveries that are due under a lease, and return their rows in the order of their turns."""
    let_time_pass(connection, now, lease)
    disabled = disabled_names(connection)
    forget(connection, disabled, now)
    take_turn(connection, Turn.CLAIM)
    numbers = first_due(connection, now, limit=limit, per_destination=per_destination, left_alone=disabled | set(skip))
    leased = {row["number"]: row for row in _lease(connection, numbers, now + lease)}
    return tuple(leased[number] for number in numbers if number in leased)


def contents(connection: Connection, leased: Sequence[RowMapping]) -> tuple[Claimed, ...]:
    """Return leased deliveries with all that they tell, which nobody changes any more."""
    lines: dict[str, list[RowMapping]] = defaultdict(list)
    for some in in_portions([row["id"] for row in leased]):
        for line in connection.execute(_lines(connection.dialect.name), {"messages": some}).mappings():
            lines[line["delivery_id"]].append(line)
    # Many destinations are told the same: an event is read once.
    events = events_named(connection, {line["event_id"] for told in lines.values() for line in told})
    return tuple(_claimed(row, lines[row["id"]], events) for row in leased)


def _lease(connection: Connection, numbers: Sequence[int], until: datetime) -> list[RowMapping]:
    leased: list[RowMapping] = []
    for some in in_portions(numbers):
        given = {"numbers": some, "until": until}
        leased.extend(connection.execute(_taking(connection.dialect.name), given).mappings())
    return leased


@cache
def _taking(dialect: str) -> ReturningUpdate[Any]:
    """Return the statement that takes messages, on PostgreSQL without those that wait by now.

    There a message may be joined between the question and the lock, by an event that waits for another message: it is
    looked at again behind the lock. On SQLite a transaction that writes is alone from its beginning.
    """
    take = update(delivery).where(one_of(dialect, delivery.c.number, "numbers"))
    if dialect == "postgresql":
        take = take.where(~WAITS)
    return take.values(state=LEASED, lease_until=bindparam("until"), attempts=delivery.c.attempts + 1).returning(
        *_MESSAGE
    )


@cache
def _lines(dialect: str) -> Select[Any]:
    these = one_of(dialect, delivery_event.c.delivery_id, "messages")
    return select(*_LINE).where(these).order_by(delivery_event.c.number)


def _claimed(row: RowMapping, lines: Sequence[RowMapping], events: Mapping[str, Event]) -> Claimed:
    return Claimed(
        id=row["id"],
        destination=row["destination"],
        attempts=row["attempts"],
        valid_until=row["valid_until"],
        items=tuple(_item(line, events[line["event_id"]]) for line in lines),
    )


def _item(row: RowMapping, event: Event) -> Item:
    instead = instead_of(row["meant_for"], row["detour"])
    return Item(event, EventType(row["told_as"]), level_of(row["level"]), row["subject_id"], row["repeat"], instead)
