"""Putting messages into the outbox: each event once for each destination, alone or in company."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, func, insert, select

from watcher.alerts.outbox import NewDelivery
from watcher.store.model import DeliveryState
from watcher.store.outbox import OWED, PENDING, let_time_pass
from watcher.store.tables import delivery, delivery_event
from watcher.store.upsert import in_portions

_NEVER_ARRIVED = (DeliveryState.DEAD.value, DeliveryState.EXPIRED.value)
_Key = tuple[str, str, int]


def write_deliveries(connection: Connection, deliveries: Sequence[NewDelivery], now: datetime) -> None:
    """Put messages into the outbox. An event is owed to a destination once; a repeat is left out.

    What never arrived may be owed again, in a message of another name. What may share a message joins the newest of
    its destination while that waits for company, or begins one: joining an older one would tell it too early.
    """
    if not deliveries:
        return
    let_time_pass(connection, now)
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
            if state not in _NEVER_ARRIVED:
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


def _message_row(item: NewDelivery, message: str) -> dict[str, Any]:
    return {
        "id": message,
        "destination": item.destination,
        "shared": bool(item.group_within),
        "state": PENDING,
        "made_at": item.made_at,
        "due_at": item.made_at + (item.group_within or timedelta()),
        "waits_since": item.made_at,
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
        "meant_for": item.instead.meant_for if item.instead is not None else None,
        "detour": item.instead.why.value if item.instead is not None else None,
    }
