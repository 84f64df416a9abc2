"""What may be sent now: fair over the destinations, in order for each of their subjects.

Every step asks an index for few rows, so that the cost of a claim does not grow with what is owed. What a server's
planner would turn into a sort of all that is due (a comparison of other types, an order that no index has) is avoided.
"""

from __future__ import annotations

import json
from bisect import bisect_left
from collections.abc import Collection, Mapping
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import (
    ARRAY,
    BindParameter,
    ColumnElement,
    Connection,
    Integer,
    Select,
    String,
    bindparam,
    column,
    func,
    literal,
    select,
    true,
)

from watcher.store.outbox import LEASED, OWED, PENDING
from watcher.store.tables import delivery, delivery_event

# More than a service can have.
_EVERYBODY = 1_000_000


class _Candidate(NamedTuple):
    """A delivery that may be sent. Sorted: every destination's first before anyone's second."""

    place: int
    due_at: datetime
    number: int


def first_due(
    connection: Connection, now: datetime, *, limit: int, per_destination: int, left_alone: Collection[str]
) -> list[int]:
    """Return the numbers of the deliveries that may be sent next, in the order of their turns.

    Parameters
    ----------
    now
        The present.
    limit
        How many at most.
    per_destination
        How many a destination may have in flight, those that it has counted.
    left_alone
        Destinations that get nothing.
    """
    # Where many have something, the emptiest are enough, and of each a few: those come before anybody's next ones.
    most = limit + len(left_alone)
    asked = {"now": now, "most": most, "full": per_destination}
    found = connection.execute(_WITH_SOMETHING_DUE, asked).all()
    taken = {name: count for name, count in found if name not in left_alone and count < per_destination}
    level = bisect_left(range(per_destination), limit, key=lambda level: _places(taken, level))
    candidates = _candidates(connection, _asked_first(taken, level, limit), level, now, limit)
    if len(candidates) < limit:
        if len(found) == most:
            found = connection.execute(_WITH_SOMETHING_DUE, asked | {"most": _EVERYBODY}).all()
            taken = {name: count for name, count in found if name not in left_alone and count < per_destination}
        candidates = _candidates(connection, taken, per_destination, now, limit)
    return [candidate.number for candidate in sorted(candidates)[:limit]]


def _places(taken: Mapping[str, int], level: int) -> int:
    """Return how many may be sent until each destination has so many in flight."""
    return sum(max(level - count, 0) for count in taken.values())


def _asked_first(taken: Mapping[str, int], level: int, limit: int) -> dict[str, int]:
    """Return whom to ask; of those with one place left only so many as there may be, whoever waits longest first."""
    emptier = {name: count for name, count in taken.items() if count < level - 1}
    last = [name for name, count in taken.items() if count == level - 1]
    return emptier | dict.fromkeys(last[:limit], level - 1)


def _candidates(
    connection: Connection, taken: Mapping[str, int], level: int, now: datetime, limit: int
) -> list[_Candidate]:
    """Return what may be sent until each of these destinations has so many in flight."""
    if not taken:
        return []
    free = {name: min(level - count, limit) for name, count in taken.items()}
    found: dict[str, list[_Candidate]] = {name: [] for name in free}
    on_server = connection.dialect.name == "postgresql"
    asked = {
        "destinations": list(free) if on_server else json.dumps(list(free)),
        "now": now,
        "free": max(free.values()),
    }
    question = _FIRST_OF_ALL_ON_SERVER if on_server else _FIRST_OF_ALL
    for name, due_at, number in connection.execute(question, asked):
        place = taken[name] + len(found[name])
        if place < level:
            found[name].append(_Candidate(place, due_at, number))
    return [candidate for candidates in found.values() for candidate in candidates]


_now = bindparam("now", type_=delivery.c.due_at.type)


def _said(name: str) -> BindParameter[int]:
    """Return a small number that the statement itself says: of one that is only given, a server expects the worst."""
    return bindparam(name, type_=Integer(), literal_execute=True)


# A plain DISTINCT reads every pending row. This steps through the index from one destination to the next, and finds
# with each the time of its first message.
_one, _next, _first = delivery.alias("one"), delivery.alias("next"), delivery.alias("first")
_in_order = (
    select(_first.c.number)
    .where(_first.c.state == PENDING)
    .order_by(_first.c.destination, _first.c.due_at, _first.c.number)
    .limit(literal(1, literal_execute=True))
)
_step = (
    select(_one.c.destination.label("name"), _one.c.due_at.label("first_at"))
    .where(_one.c.number == _in_order.scalar_subquery())
    .cte("step", recursive=True)
)
_number_of_next = _in_order.where(_first.c.destination > _step.c.name).correlate(_step).scalar_subquery()
_step = _step.union_all(
    select(_next.c.destination, _next.c.due_at).select_from(_step.join(_next, _next.c.number == _number_of_next))
)
# Counted as far as it matters: who has its fill gets no more.
_leased = (
    select(literal(1).label("one"))
    .where(delivery.c.state == LEASED, delivery.c.destination == _step.c.name)
    .limit(_said("full"))
    .correlate(_step)
    .subquery("leased")
)
_in_flight = select(func.count()).select_from(_leased).scalar_subquery().label("in_flight")
# Who has something due, and how much in flight: the emptiest first, of those whoever waits longest.
_WITH_SOMETHING_DUE = (
    select(_step.c.name, _in_flight)
    .where(_step.c.first_at <= _now)
    .order_by("in_flight", _step.c.first_at)
    .limit(bindparam("most"))
)

_earlier, _mine, _theirs = delivery.alias("earlier"), delivery_event.alias("mine"), delivery_event.alias("theirs")
# Something earlier about the same subject is owed to the same destination.
WAITS = (
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


def _first_of(destination: ColumnElement[str]) -> Select[tuple[datetime, int]]:
    return (
        select(delivery.c.due_at, delivery.c.number)
        .where(delivery.c.state == PENDING, delivery.c.destination == destination, delivery.c.due_at <= _now, ~WAITS)
        .order_by(delivery.c.due_at, delivery.c.number)
        .limit(_said("free"))
    )


# The name of the column is said where it stands: to PostgreSQL, `asked.name` of an unnamed column is `asked` in another
# type, which is cut after 63 letters and has another order than the index.
_array = func.unnest(bindparam("destinations", type_=ARRAY(String))).table_valued("name").render_derived(name="asked")
_each = _first_of(_array.c.name).with_for_update(skip_locked=True).lateral("each")
_FIRST_OF_ALL_ON_SERVER = (
    select(_array.c.name, _each.c.due_at, _each.c.number)
    .select_from(_array.join(_each, true()))
    .order_by(_each.c.due_at, _each.c.number)
)

# SQLite has no lateral joins; it answers a list for each row that it joins, and looks the rows up by number.
_list = func.json_each(bindparam("destinations")).table_valued(column("value", String), name="asked")
_found = delivery.alias("found")
_numbers = _first_of(_list.c.value).with_only_columns(delivery.c.number)
_FIRST_OF_ALL = (
    select(_list.c.value, _found.c.due_at, _found.c.number)
    .select_from(_list.join(_found, _found.c.number.in_(_numbers.correlate(_list))))
    .order_by(_found.c.due_at, _found.c.number)
)
