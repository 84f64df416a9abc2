"""Claiming: who may send what now. Fair over the destinations, in order for each of their subjects.

Every step asks an index for few rows, so that the cost of a claim does not grow with what is owed.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from datetime import datetime, timedelta
from typing import NamedTuple, TypeAlias

from sqlalchemy import (
    ARRAY,
    ColumnElement,
    Connection,
    RowMapping,
    Select,
    String,
    bindparam,
    func,
    literal,
    select,
    true,
    update,
)

from watcher.alerts.model import Event, EventType
from watcher.alerts.outbox import Claimed, Item
from watcher.store.destinations import disabled_names, forget
from watcher.store.episodes import events_named
from watcher.store.outbox import LEASED, OWED, PENDING, let_time_pass, level_of
from watcher.store.tables import delivery, delivery_event
from watcher.store.turns import Turn, take_turn
from watcher.store.upsert import in_portions

_Row: TypeAlias = tuple[datetime, int]


class _Candidate(NamedTuple):
    """A delivery that may be sent. Sorted: every destination's first before anyone's second."""

    place: int
    due_at: datetime
    number: int


def claim(
    connection: Connection,
    now: datetime,
    *,
    limit: int,
    lease: timedelta,
    per_destination: int,
    skip: Collection[str],
) -> tuple[Claimed, ...]:
    """Take deliveries that are due under a lease; see `Store.claim`."""
    take_turn(connection, Turn.CLAIM)
    let_time_pass(connection, now)
    disabled = disabled_names(connection)
    forget(connection, disabled, now)
    left_alone = disabled | set(skip)
    in_flight = _in_flight(connection)
    taken = {name: in_flight.get(name, 0) for name in _destinations(connection) if name not in left_alone}
    # Few of each destination are enough where many have something: those come before anybody's next ones.
    share = -(-limit // max(len(taken), 1))
    candidates = _due(connection, taken, now, min(share, per_destination), limit)
    if len(candidates) < limit and share < per_destination:
        candidates = _due(connection, taken, now, per_destination, limit)
    numbers = [candidate.number for candidate in sorted(candidates)[:limit]]
    return _lease(connection, _locked(connection, numbers), now + lease)


def _due(
    connection: Connection, taken: Mapping[str, int], now: datetime, per_destination: int, limit: int
) -> list[_Candidate]:
    """Return what may be sent where each destination has so many in flight at most."""
    free = {name: min(per_destination - already, limit) for name, already in taken.items() if already < per_destination}
    first = _first_due_of_all if connection.dialect.name == "postgresql" else _first_due_of_each
    return [
        _Candidate(place, due_at, number)
        for name, rows in first(connection, free, now).items()
        for place, (due_at, number) in enumerate(rows[: free[name]], start=taken[name])
    ]


def _locked(connection: Connection, numbers: Sequence[int]) -> Sequence[int]:
    """Return those that nobody changes or joins from now on, and that still wait for nothing earlier.

    That is for PostgreSQL: whatever joined one of them meanwhile is seen here. On SQLite a transaction that writes is
    alone from its beginning.
    """
    if connection.dialect.name != "postgresql" or not numbers:
        return numbers
    locked = connection.execute(_LOCKED, {"numbers": list(numbers)}).scalars().all()
    free = set(connection.execute(_STILL_FIRST, {"numbers": list(locked)}).scalars()) if locked else set()
    return [number for number in numbers if number in free]


def _in_flight(connection: Connection) -> dict[str, int]:
    query = (
        select(delivery.c.destination, func.count()).where(delivery.c.state == LEASED).group_by(delivery.c.destination)
    )
    return dict(connection.execute(query).all())


# A plain DISTINCT reads every pending row. This steps through the index from one destination to the next.
_step = select(func.min(delivery.c.destination).label("name")).where(delivery.c.state == PENDING).cte(recursive=True)
_step = _step.union_all(
    select(
        select(func.min(delivery.c.destination))
        .where(delivery.c.state == PENDING, delivery.c.destination > _step.c.name)
        .scalar_subquery()
    ).where(_step.c.name.is_not(None))
)
_DESTINATIONS = select(_step.c.name).where(_step.c.name.is_not(None))

_earlier, _mine, _theirs = delivery.alias("earlier"), delivery_event.alias("mine"), delivery_event.alias("theirs")
_WAITS = (
    select(literal(1))
    .select_from(_mine)
    .join(
        _theirs,
        (_theirs.c.subject_id == _mine.c.subject_id)
        & (_theirs.c.destination == _mine.c.destination)
        & (_theirs.c.number < _mine.c.number),
    )
    .join(_earlier, _earlier.c.id == _theirs.c.delivery_id)
    .where(_mine.c.delivery_id == delivery.c.id, _earlier.c.number < delivery.c.number, _earlier.c.state.in_(OWED))
    .exists()
)


def _first_due(destination: ColumnElement[str], *order: ColumnElement[object]) -> Select[tuple[datetime, int]]:
    return (
        select(delivery.c.due_at, delivery.c.number)
        .where(
            delivery.c.state == PENDING,
            delivery.c.destination == destination,
            delivery.c.due_at <= bindparam("now", type_=delivery.c.due_at.type),
            ~_WAITS,
        )
        .order_by(*order)
        .limit(bindparam("free"))
    )


_FIRST_DUE = _first_due(
    bindparam("destination", type_=delivery.c.destination.type), delivery.c.due_at, delivery.c.number
)
_all = func.unnest(bindparam("destinations", type_=ARRAY(String))).table_valued("name", name="asked")
# By time alone, as the index has them: by number too, a server looks at all that is due before it gives the first.
_first = _first_due(_all.c.name, delivery.c.due_at).lateral("first")
_FIRST_DUE_OF_ALL = (
    select(_all.c.name, _first.c.due_at, _first.c.number)
    .select_from(_all.join(_first, true()))
    .order_by(_first.c.due_at, _first.c.number)
)
_OF_NUMBERS = delivery.c.number.in_(bindparam("numbers", expanding=True))
_LOCKED = select(delivery.c.number).where(_OF_NUMBERS, delivery.c.state == PENDING).with_for_update(skip_locked=True)
_STILL_FIRST = select(delivery.c.number).where(_OF_NUMBERS, ~_WAITS)


def _destinations(connection: Connection) -> Sequence[str]:
    return connection.execute(_DESTINATIONS).scalars().all()


def _first_due_of_each(connection: Connection, free: Mapping[str, int], now: datetime) -> dict[str, list[_Row]]:
    return {
        name: [(row.due_at, row.number) for row in connection.execute(_FIRST_DUE, _asked(now, most, destination=name))]
        for name, most in free.items()
    }


def _first_due_of_all(connection: Connection, free: Mapping[str, int], now: datetime) -> dict[str, list[_Row]]:
    """Ask a server once, not once for each destination; for some there may be more than are free."""
    found: dict[str, list[_Row]] = {name: [] for name in free}
    if free:
        asked = _asked(now, max(free.values()), destinations=list(free))
        for name, due_at, number in connection.execute(_FIRST_DUE_OF_ALL, asked):
            found[name].append((due_at, number))
    return found


def _asked(now: datetime, free: int, **destinations: object) -> dict[str, object]:
    return {"now": now, "free": free, **destinations}


def _lease(connection: Connection, numbers: Sequence[int], until: datetime) -> tuple[Claimed, ...]:
    lines: dict[int, list[RowMapping]] = defaultdict(list)
    for some in in_portions(numbers):
        connection.execute(
            update(delivery)
            .where(delivery.c.number.in_(some))
            .values(state=LEASED, lease_until=until, attempts=delivery.c.attempts + 1)
        )
        query = (
            select(*_MESSAGE_COLUMNS, *_LINE_COLUMNS)
            .join(delivery_event, delivery_event.c.delivery_id == delivery.c.id)
            .where(delivery.c.number.in_(some))
            .order_by(delivery_event.c.number)
        )
        for row in connection.execute(query).mappings():
            lines[row["number"]].append(row)
    # Many destinations are told the same: an event is read once.
    events = events_named(connection, {row["event_id"] for rows in lines.values() for row in rows})
    return tuple(_claimed(lines[number], events) for number in numbers)


_MESSAGE_COLUMNS = tuple(delivery.c[name] for name in ("number", "id", "destination", "attempts", "valid_until"))
_LINE_COLUMNS = tuple(delivery_event.c[name] for name in ("event_id", "told_as", "level", "subject_id", "repeat"))


def _claimed(rows: Sequence[RowMapping], events: Mapping[str, Event]) -> Claimed:
    first = rows[0]
    return Claimed(
        id=first["id"],
        destination=first["destination"],
        attempts=first["attempts"],
        valid_until=first["valid_until"],
        items=tuple(_item(row, events[row["event_id"]]) for row in rows),
    )


def _item(row: RowMapping, event: Event) -> Item:
    return Item(event, EventType(row["told_as"]), level_of(row["level"]), row["subject_id"], row["repeat"])
