"""Destinations that are switched off: by their reader, or because they refuse everything."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime

from sqlalchemy import Connection, select, update

from watcher.store.kept import people_changed
from watcher.store.model import DeliveryState, Disabled
from watcher.store.outbox import PENDING, unlocked
from watcher.store.tables import delivery, destination_state
from watcher.store.upsert import insert_or_replace


def disable(connection: Connection, name: str, reason: str, now: datetime, *, by_receiver: bool) -> None:
    """Send nothing more to a destination, and forget what it is owed: it is told how things stand when it is back."""
    row = {"name": name, "disabled": True, "reason": reason, "at": now, "by_receiver": by_receiver}
    insert_or_replace(connection, destination_state, "name", [row])
    forget(connection, {name}, now)
    people_changed(connection)


def forget(connection: Connection, names: Collection[str], now: datetime) -> None:
    """Give up what some destinations are owed and nobody has in hand."""
    if names:
        connection.execute(
            update(delivery)
            .where(unlocked(delivery.c.state == PENDING, delivery.c.destination.in_(names)))
            .values(state=DeliveryState.EXPIRED.value, settled_at=now, last_error="the destination was switched off")
        )


def enable(connection: Connection, name: str) -> None:
    """Send to a destination again."""
    off = destination_state.c.name == name, destination_state.c.disabled
    if connection.execute(update(destination_state).where(*off).values(disabled=False)).rowcount:
        people_changed(connection)


def disabled(connection: Connection) -> dict[str, Disabled]:
    """Return the disabled destinations by name."""
    query = select(destination_state).where(destination_state.c.disabled).order_by(destination_state.c.name)
    return {
        row["name"]: Disabled(row["name"], row["reason"], row["at"], row["by_receiver"])
        for row in connection.execute(query).mappings()
    }


def disabled_names(connection: Connection) -> set[str]:
    """Return the names of the disabled destinations."""
    query = select(destination_state.c.name).where(destination_state.c.disabled)
    return set(connection.execute(query).scalars())
