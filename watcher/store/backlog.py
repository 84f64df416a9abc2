"""What in the outbox does not go as it should: messages that are late, that nobody tries to send, that were lost."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Connection, case, func, select

from watcher.alerts.model import EventType
from watcher.store.destinations import disabled_names
from watcher.store.model import Backlog, DeliveryState
from watcher.store.outbox import OWED, PENDING
from watcher.store.tables import delivery, delivery_event

_LOST = (DeliveryState.DEAD.value, DeliveryState.EXPIRED.value)
_OF_SERVICE = (EventType.UNWELL.value, EventType.WELL.value)


def read_backlog(connection: Connection, due_before: datetime, lost_since: datetime) -> Backlog:
    """Return what is due since before a time, and what was lost since another; see `Store.backlog`."""
    owed_to_nobody = disabled_names(connection)
    # What was tried is late since it was made, not since its next try.
    since = case((delivery.c.attempts > 0, delivery.c.made_at), else_=delivery.c.due_at)
    due = (
        select(delivery.c.destination, func.min(since))
        .where(delivery.c.state == PENDING, since < due_before)
        .group_by(delivery.c.destination)
    )
    late = {name: since for name, since in connection.execute(due) if name not in owed_to_nobody}
    tried = select(delivery.c.destination).where(delivery.c.state.in_(OWED), delivery.c.attempts > 0).distinct()
    reached_for = set(connection.execute(tried).scalars()) if late else set()
    # A caretaker that cannot be told of losses must not make more of them.
    tells_of_weather = (
        select(delivery_event.c.number)
        .where(delivery_event.c.delivery_id == delivery.c.id, delivery_event.c.told_as.not_in(_OF_SERVICE))
        .exists()
    )
    lost = (
        select(delivery.c.destination, func.count())
        .where(delivery.c.state.in_(_LOST), delivery.c.settled_at >= lost_since, tells_of_weather)
        .group_by(delivery.c.destination)
    )
    handed_on = (
        select(delivery_event.c.meant_for, delivery_event.c.destination, func.max(delivery_event.c.number))
        .where(delivery_event.c.meant_for.is_not(None), delivery_event.c.made_at >= lost_since)
        .group_by(delivery_event.c.meant_for, delivery_event.c.destination)
        .order_by(func.max(delivery_event.c.number))
    )
    return Backlog(
        late=late,
        untried_since=min((since for name, since in late.items() if name not in reached_for), default=None),
        lost={name: count for name, count in connection.execute(lost) if name not in owed_to_nobody},
        stood_in={name: reader for name, reader, _ in connection.execute(handed_on)},
    )
