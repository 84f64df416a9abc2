"""Claiming: who may send what now. Fair over the destinations, in order for each of their subjects.

Every step asks an index for few rows, so that the cost of a claim does not grow with what is owed.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from typing import NamedTuple

from sqlalchemy import Connection, RowMapping, bindparam, func, literal, select, update

from watcher.alerts.model import Event, EventType
from watcher.alerts.outbox import Claimed, Item
from watcher.store.destinations import disabled_names, forget
from watcher.store.episodes import events_named
from watcher.store.outbox import LEASED, OWED, PENDING, let_time_pass, level_of
from watcher.store.tables import delivery, delivery_event
from watcher.store.turns import Turn, take_turn
from watcher.store.upsert import in_portions


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
    candidates: list[_Candidate] = []
    for destination in _destinations(connection):
        taken = in_flight.get(destination, 0)
        free = min(per_destination - taken, limit)
        if free > 0 and destination not in left_alone:
            candidates.extend(_first_due(connection, destination, now, free, taken))
    numbers = [candidate.number for candidate in sorted(candidates)[:limit]]
    return _lease(connection, numbers, now + lease)


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
_FIRST_DUE = (
    select(delivery.c.due_at, delivery.c.number)
    .where(
        delivery.c.state == PENDING,
        delivery.c.destination == bindparam("destination"),
        delivery.c.due_at <= bindparam("now", type_=delivery.c.due_at.type),
        ~_WAITS,
    )
    .order_by(delivery.c.due_at, delivery.c.number)
    .limit(bindparam("free"))
    .with_for_update(skip_locked=True, of=delivery)
)


def _destinations(connection: Connection) -> Sequence[str]:
    return connection.execute(_DESTINATIONS).scalars().all()


def _first_due(connection: Connection, destination: str, now: datetime, free: int, taken: int) -> Iterator[_Candidate]:
    values = {"destination": destination, "now": now, "free": free}
    for place, (due_at, number) in enumerate(connection.execute(_FIRST_DUE, values), start=taken):
        yield _Candidate(place, due_at, number)


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
