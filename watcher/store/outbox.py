"""The outbox: what is owed to whom, in its order, and what became of it.

pending -> leased -> sent | dead | pending again; pending -> expired. A lease is committed before anything is sent, so
that after a crash only what was leased is sent again, under the same id.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, Connection, RowMapping, bindparam, func, insert, select, update

from watcher.alerts.model import EventType
from watcher.alerts.outbox import NewDelivery, Settled
from watcher.rulebook.words import Kind, Level
from watcher.store.model import Delivery, DeliveryState, ToldLine
from watcher.store.tables import delivery, delivery_event
from watcher.store.upsert import in_portions

PENDING, LEASED = DeliveryState.PENDING.value, DeliveryState.LEASED.value
OWED = (PENDING, LEASED)
NEVER_ARRIVED = (DeliveryState.DEAD.value, DeliveryState.EXPIRED.value)

_Key = tuple[str, str, int]


def write_deliveries(connection: Connection, deliveries: Sequence[NewDelivery], now: datetime) -> None:
    """Put messages into the outbox. An event is owed to a destination once; a repeat is left out.

    What never arrived may be owed again, in a message of another name. What may share a message joins the newest of
    its destination while that waits for company, or begins one: joining an older one would tell it too early.
    """
    if not deliveries:
        return
    expire(connection, now)
    new = _not_yet_owed(connection, deliveries)
    newest = _open_to_company(connection, {item.destination for item, _ in new if item.group_within}, now)
    messages, lines = [], []
    for item, again in new:
        message = newest.get(item.destination) if item.group_within else None
        if message is None:
            message = f"{item.id}-{again + 1}" if again else item.id
            messages.append(_message_row(item, message))
            newest.pop(item.destination, None)
            if item.group_within:
                newest[item.destination] = message
        lines.append(_line_row(item, message, again))
    if messages:
        connection.execute(insert(delivery), messages)
    if lines:
        connection.execute(insert(delivery_event), lines)


def expire(connection: Connection, now: datetime) -> None:
    """Give up what is past its time and in nobody's hands."""
    connection.execute(
        update(delivery)
        .where(unlocked(delivery.c.state == PENDING, delivery.c.valid_until <= now))
        .values(state=DeliveryState.EXPIRED.value, settled_at=now)
    )


def unlocked(*conditions: ColumnElement[bool]) -> ColumnElement[bool]:
    """Return which deliveries these are, without those that a claimer has in hand, who does the same with them.

    That is for PostgreSQL. On SQLite a transaction that writes is alone from its beginning.
    """
    return delivery.c.number.in_(select(delivery.c.number).where(*conditions).with_for_update(skip_locked=True))


def _not_yet_owed(connection: Connection, deliveries: Sequence[NewDelivery]) -> list[tuple[NewDelivery, int]]:
    """Return what is new, each with how many messages that told the same never arrived."""
    tries: dict[_Key, int] = {}
    underway: set[_Key] = set()
    columns = (*(delivery_event.c[name] for name in ("event_id", "destination", "repeat", "again")), delivery.c.state)
    for some in in_portions(list(dict.fromkeys(item.event_id for item in deliveries))):
        query = select(*columns).join(delivery).where(delivery_event.c.event_id.in_(some))
        for event_id, destination, repeat, again, state in connection.execute(query):
            key = event_id, destination, repeat
            tries[key] = max(tries.get(key, 0), again + 1)
            if state not in NEVER_ARRIVED:
                underway.add(key)
    new: dict[_Key, tuple[NewDelivery, int]] = {}
    for item in deliveries:
        key = item.event_id, item.destination, item.repeat
        if key not in underway:
            new.setdefault(key, (item, tries.get(key, 0)))
    return list(new.values())


def _open_to_company(connection: Connection, destinations: Collection[str], now: datetime) -> dict[str, str]:
    """Return by destination the newest message that is owed to it, where others may still join that."""
    found: dict[str, str] = {}
    for some in in_portions(sorted(destinations)):
        newest = (
            select(func.max(delivery.c.number))
            .where(delivery.c.state.in_(OWED), delivery.c.destination.in_(some))
            .group_by(delivery.c.destination)
        )
        # The lock is for PostgreSQL: whoever claims the message must see who joined it.
        query = (
            select(delivery.c.destination, delivery.c.id)
            .where(
                delivery.c.number.in_(newest),
                delivery.c.shared,
                delivery.c.state == PENDING,
                delivery.c.attempts == 0,
                delivery.c.due_at > now,
            )
            .with_for_update()
        )
        found.update((destination, message) for destination, message in connection.execute(query))
    return found


def settle(connection: Connection, results: Sequence[Settled], now: datetime) -> None:
    """Write down how claimed deliveries went.

    Sent is sent, also when the lease had run out meanwhile and the delivery was thought dead or expired. The other
    outcomes are for deliveries that are still leased.
    """
    state = delivery.c.state
    leased = state == LEASED
    _update(
        connection,
        [{"of": item.id} for item in results if item.outcome == "sent"],
        state != DeliveryState.SENT.value,
        state=DeliveryState.SENT.value,
        lease_until=None,
        settled_at=now,
    )
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


def read_deliveries(connection: Connection, limit: int, state: str | None) -> tuple[Delivery, ...]:
    """Return deliveries, the newest first, of all states or of one."""
    query = select(delivery).order_by(delivery.c.number.desc()).limit(limit)
    if state is not None:
        query = query.where(delivery.c.state == DeliveryState(state).value)
    rows = connection.execute(query).mappings().all()
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


def level_of(number: int | None) -> Level | None:
    """Return the level of its number."""
    return Level(number) if number is not None else None


def kind_of(word: str | None) -> Kind | None:
    """Return the kind of its word."""
    return Kind(word) if word is not None else None


def _update(connection: Connection, rows: Sequence[dict[str, Any]], where: ColumnElement[bool], **new: Any) -> None:  # noqa: ANN401
    if rows:
        statement = update(delivery).where(delivery.c.id == bindparam("of"), where).values(**new)
        connection.execute(statement, rows)


def _message_row(item: NewDelivery, message: str) -> dict[str, Any]:
    return {
        "id": message,
        "destination": item.destination,
        "shared": bool(item.group_within),
        "state": PENDING,
        "made_at": item.made_at,
        "due_at": item.made_at + (item.group_within or timedelta()),
        "valid_until": item.valid_until,
        "attempts": 0,
    }


def _line_row(item: NewDelivery, message: str, again: int) -> dict[str, Any]:
    return {
        "delivery_id": message,
        "event_id": item.event_id,
        "destination": item.destination,
        "subject_id": item.subject_id,
        "seq": item.seq,
        "told_as": item.told_as.value,
        "level": item.level.value if item.level is not None else None,
        "kind": item.kind.value if item.kind is not None else None,
        "repeat": item.repeat,
        "again": again,
        "made_at": item.made_at,
    }


def _told_line(row: RowMapping) -> ToldLine:
    return ToldLine(
        event_id=row["event_id"],
        subject_id=row["subject_id"],
        told_as=EventType(row["told_as"]),
        level=level_of(row["level"]),
        kind=kind_of(row["kind"]),
        repeat=row["repeat"],
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
