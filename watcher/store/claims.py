"""Claiming: what may be sent now is somebody's from here on, for the time of a lease."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from datetime import datetime, timedelta
from functools import cache
from typing import Any, NamedTuple

from sqlalchemy import Connection, RowMapping, Select, bindparam, select, update
from sqlalchemy.sql.dml import ReturningUpdate

from watcher.alerts.model import Event, EventType
from watcher.alerts.outbox import Claimed, Item, Settled
from watcher.store.destinations import disabled_names, forget
from watcher.store.due import WAITS, first_due
from watcher.store.episodes import event_of, rows_named
from watcher.store.outbox import LEASED, instead_of, let_time_pass, level_of
from watcher.store.tables import delivery, delivery_event
from watcher.store.turns import Turn, take_turn
from watcher.store.upsert import in_portions, one_of

# What another program wrote into the same outbox, a newer one's word most likely: its own sender may take it meanwhile.
UNREADABLE_AGAIN = timedelta(minutes=1)
ATTEMPTS_UNREADABLE = 4

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


class Contents(NamedTuple):
    """What was claimed: what can be sent, and how it ended for what this program cannot read."""

    claimed: tuple[Claimed, ...]
    unreadable: tuple[Settled, ...]


def contents(connection: Connection, leased: Sequence[RowMapping], now: datetime) -> Contents:
    """Return leased deliveries with all that they tell, which nobody changes any more.

    One that cannot be read costs the others nothing. It is tried again some times, then given up with the reason.
    """
    lines: dict[str, list[RowMapping]] = defaultdict(list)
    for some in in_portions([row["id"] for row in leased]):
        for line in connection.execute(_lines(connection.dialect.name), {"messages": some}).mappings():
            lines[line["delivery_id"]].append(line)
    rows = rows_named(connection, {line["event_id"] for told in lines.values() for line in told})
    # Many destinations are told the same: an event is read once.
    events: dict[str, Event] = {}
    claimed: list[Claimed] = []
    unreadable: list[Settled] = []
    for row in leased:
        told = lines[row["id"]]
        try:
            for name in {line["event_id"] for line in told} - events.keys():
                events[name] = event_of(rows[name])
            claimed.append(_claimed(row, told, events))
        except (ValueError, LookupError) as error:
            unreadable.append(_unreadable(row, error, now))
    return Contents(tuple(claimed), tuple(unreadable))


def _unreadable(row: RowMapping, error: Exception, now: datetime) -> Settled:
    why = " ".join(f"this program cannot read the message: {error!r}".split())[:200]
    again_at = now + UNREADABLE_AGAIN
    if row["attempts"] >= ATTEMPTS_UNREADABLE or again_at >= row["valid_until"]:
        return Settled(row["id"], "dead", error=why)
    return Settled(row["id"], "retry", again_at, why)


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
