"""The outbox: what is owed to whom, and what became of it.

pending -> leased -> sent | dead | pending again; pending -> expired. A lease is committed before anything is sent, so
that after a crash only what was leased is sent again, under the same id.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from functools import cache
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    RowMapping,
    Update,
    and_,
    bindparam,
    func,
    literal,
    or_,
    select,
    update,
)

from watcher.alerts.model import EventType
from watcher.alerts.outbox import Detour, Instead, Settled
from watcher.rulebook.words import Kind, Level
from watcher.store.model import Arrivals, Delivery, DeliveryState, ToldLine
from watcher.store.tables import delivery, delivery_event
from watcher.store.upsert import in_portions, one_of

PENDING, LEASED = DeliveryState.PENDING.value, DeliveryState.LEASED.value
OWED = (PENDING, LEASED)
# The clocks of machines at one outbox differ by less than this. Common practice, no source.
CLOCKS_DIFFER = timedelta(minutes=1)


# Said in the statement itself: an index of what is pending is used only where no other state can be meant.
IS_PENDING = delivery.c.state == literal(PENDING, literal_execute=True)

_now, _ahead, _latest = (bindparam(name, type_=delivery.c.due_at.type) for name in ("now", "ahead", "latest"))
# Only what is leased has the end of a lease.
_LEASE_RAN_OUT = delivery.c.lease_until <= _now
_LEASE_OF_ANOTHER_CLOCK = delivery.c.lease_until > _latest
_WAITS_BY_ANOTHER_CLOCK = and_(IS_PENDING, delivery.c.waits_since > _ahead)
_PAST_ITS_TIME = and_(IS_PENDING, delivery.c.valid_until <= _now)
# Asked with every claim, and the answer is nearly always no. The ends of the indexes say so; a server that is asked
# whether there is such a row may look at all of them.
_ANYTHING_CHANGES = select(
    or_(
        select(func.min(delivery.c.lease_until)).scalar_subquery() <= _now,
        select(func.max(delivery.c.lease_until)).scalar_subquery() > _latest,
        select(func.max(delivery.c.waits_since)).where(IS_PENDING).scalar_subquery() > _ahead,
        select(func.min(delivery.c.valid_until)).where(IS_PENDING).scalar_subquery() <= _now,
    )
)


def let_time_pass(connection: Connection, now: datetime, lease: timedelta | None = None) -> None:
    """Take back what was claimed and never settled, then give up what is past its time and in nobody's hands.

    What was told to wait by a clock that was ahead of the present, and was set right since, waits no longer: the moment
    until which it would wait means nothing. `lease`: a message claimed now is its claimer's for so long, and what the
    process of such a clock has claimed, for no longer either. That is shortened, not ended: it may be sending.
    """
    latest = now + lease + CLOCKS_DIFFER if lease is not None else None
    times = {"now": now, "ahead": now + CLOCKS_DIFFER, "latest": latest}
    if not connection.execute(_ANYTHING_CHANGES, times).scalar_one():
        return
    _change(connection, times, _LEASE_RAN_OUT, state=PENDING, lease_until=None)
    if lease is not None:
        _change(connection, times, _LEASE_OF_ANOTHER_CLOCK, lease_until=now + lease)
    _change(connection, times, _WAITS_BY_ANOTHER_CLOCK, due_at=now, waits_since=now)
    _change(connection, times, _PAST_ITS_TIME, state=DeliveryState.EXPIRED.value, settled_at=now)


def _change(connection: Connection, times: Mapping[str, Any], these: ColumnElement[bool], **new: Any) -> None:  # noqa: ANN401
    connection.execute(update(delivery).where(unlocked(these)).values(**new), times)


def unlocked(*conditions: ColumnElement[bool]) -> ColumnElement[bool]:
    """Return which deliveries these are, without those that a claimer has in hand, who does the same with them.

    That is for PostgreSQL. On SQLite a transaction that writes is alone from its beginning.
    """
    return delivery.c.number.in_(select(delivery.c.number).where(*conditions).with_for_update(skip_locked=True))


def settle(connection: Connection, results: Sequence[Settled], now: datetime) -> None:
    """Write down how claimed deliveries went.

    Sent is sent, also when the lease had run out meanwhile and the delivery was thought dead or expired. The other
    outcomes are for deliveries that are still leased.
    """
    leased = delivery.c.state == LEASED
    _have_arrived(connection, [item.id for item in results if item.outcome == "sent"], now)
    _update(
        connection,
        [{"of": item.id, "why": item.error} for item in results if item.outcome == "dead"],
        leased,
        state=DeliveryState.DEAD.value,
        lease_until=None,
        last_error=bindparam("why"),
        settled_at=now,
    )
    _update(
        connection,
        [
            {"of": item.id, "again_at": item.due_at or now, "why": item.error}
            for item in results
            if item.outcome == "retry"
        ],
        leased,
        state=PENDING,
        lease_until=None,
        due_at=bindparam("again_at"),
        waits_since=now,
        last_error=bindparam("why"),
    )
    _update(
        connection,
        [{"of": item.id} for item in results if item.outcome == "release"],
        leased,
        state=PENDING,
        lease_until=None,
        attempts=delivery.c.attempts - 1,
    )


def read_deliveries(  # noqa: PLR0917 - one for each thing that may be asked
    connection: Connection,
    limit: int,
    state: str | None = None,
    destination: str | None = None,
    about: str | None = None,
    before: str | None = None,
) -> tuple[Delivery, ...]:
    """Return deliveries, the newest first; see `Store.deliveries`."""
    query = select(delivery).order_by(delivery.c.number.desc()).limit(limit)
    if state is not None:
        query = query.where(delivery.c.state == DeliveryState(state).value)
    if destination is not None:
        query = query.where(delivery.c.destination == destination)
    if about is not None:
        telling = select(delivery_event.c.delivery_id).where(delivery_event.c.subject_id == about)
        query = query.where(delivery.c.id.in_(telling))
    if before is not None:
        number = select(delivery.c.number).where(delivery.c.id == before).scalar_subquery()
        query = query.where(delivery.c.number < number)
    return _with_lines(connection, connection.execute(query).mappings().all())


def read_delivery(connection: Connection, delivery_id: str) -> Delivery | None:
    """Return one delivery by its name."""
    rows = connection.execute(select(delivery).where(delivery.c.id == delivery_id)).mappings().all()
    return next(iter(_with_lines(connection, rows)), None)


def _with_lines(connection: Connection, rows: Sequence[RowMapping]) -> tuple[Delivery, ...]:
    told: dict[str, list[ToldLine]] = {row["id"]: [] for row in rows}
    for some in in_portions(list(told)):
        lines = select(delivery_event).where(delivery_event.c.delivery_id.in_(some)).order_by(delivery_event.c.number)
        for line in connection.execute(lines).mappings():
            told[line["delivery_id"]].append(_told_line(line))
    return tuple(_delivery_of(row, told[row["id"]]) for row in rows)


def counts(connection: Connection) -> dict[str, int]:
    """Return how many deliveries are in each state, all five named."""
    found = connection.execute(select(delivery.c.state, func.count()).group_by(delivery.c.state))
    return {state.value: 0 for state in DeliveryState} | dict(found.all())


def arrivals(connection: Connection) -> dict[str, Arrivals]:
    """Return by destination when something last arrived there, and what went wrong last."""
    sent = select(delivery.c.destination, func.max(delivery.c.settled_at)).where(
        delivery.c.state == DeliveryState.SENT.value
    )
    found = {name: Arrivals(at) for name, at in connection.execute(sent.group_by(delivery.c.destination))}
    last_failed = (
        select(func.max(delivery.c.number)).where(delivery.c.last_error.is_not(None)).group_by(delivery.c.destination)
    )
    failed = select(delivery.c.destination, delivery.c.last_error, delivery.c.made_at).where(
        delivery.c.number.in_(last_failed)
    )
    for name, error, at in connection.execute(failed):
        found[name] = replace(found.get(name, Arrivals()), error=error, failed_at=at)
    return found


def level_of(number: int | None) -> Level | None:
    """Return the level of its number."""
    return Level(number) if number is not None else None


def kind_of(word: str | None) -> Kind | None:
    """Return the kind of its word."""
    return Kind(word) if word is not None else None


def instead_of(meant_for: str | None, detour: str | None) -> Instead | None:
    """Return for whom a line was meant that went to a fallback, and why; None for all others."""
    return Instead(meant_for, Detour(detour)) if meant_for is not None and detour is not None else None


def _have_arrived(connection: Connection, names: Sequence[str], now: datetime) -> None:
    """Write down what was sent, which is nearly all: many at once."""
    for some in in_portions(names):
        connection.execute(_sent(connection.dialect.name), {"names": some, "now": now})


@cache
def _sent(dialect: str) -> Update:
    # In one order: two that settle the same after a lease ran out must not wait for each other.
    these = (
        select(delivery.c.number)
        .where(one_of(dialect, delivery.c.id, "names"), delivery.c.state != DeliveryState.SENT.value)
        .order_by(delivery.c.id)
        .with_for_update()
    )
    new = {"state": DeliveryState.SENT.value, "lease_until": None, "settled_at": _now}
    return update(delivery).where(delivery.c.number.in_(these)).values(new)


def _update(connection: Connection, rows: Sequence[dict[str, Any]], where: ColumnElement[bool], **new: Any) -> None:  # noqa: ANN401
    if rows:
        statement = update(delivery).where(delivery.c.id == bindparam("of"), where).values(**new)
        # In the same order as those.
        connection.execute(statement, sorted(rows, key=lambda row: row["of"]))


def _told_line(row: RowMapping) -> ToldLine:
    return ToldLine(
        event_id=row["event_id"],
        subject_id=row["subject_id"],
        told_as=EventType(row["told_as"]),
        level=level_of(row["level"]),
        kind=kind_of(row["kind"]),
        repeat=row["repeat"],
        instead=instead_of(row["meant_for"], row["detour"]),
    )


def _delivery_of(row: RowMapping, told: Sequence[ToldLine]) -> Delivery:
    return Delivery(
        id=row["id"],
        destination=row["destination"],
        told=tuple(told),
        state=DeliveryState(row["state"]),
        attempts=row["attempts"],
        made_at=row["made_at"],
        due_at=row["due_at"],
        valid_until=row["valid_until"],
        lease_until=row["lease_until"],
        settled_at=row["settled_at"],
        last_error=row["last_error"],
    )
