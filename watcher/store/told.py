"""What each destination was last told of what still goes on; a restart begins with it."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Connection, RowMapping, or_, select

from watcher.alerts.model import EventType, Told
from watcher.store.model import DeliveryState
from watcher.store.outbox import LEASED, PENDING, kind_of, level_of
from watcher.store.tables import delivery, delivery_event, episode, event, station_state

_ENDINGS = frozenset({EventType.CLOSED.value, EventType.WITHDRAWN.value, EventType.SEEING.value})
_COLUMNS = (
    delivery.c.number,
    delivery.c.destination,
    delivery.c.subject_id,
    delivery.c.told_as,
    delivery.c.level,
    delivery.c.kind,
)


def read_told(connection: Connection, now: datetime) -> dict[tuple[str, str], Told]:
    """Return by (destination, subject id) what each destination was last told of open episodes and blind stations.

    A message that reached nobody, because it is dead, has expired or would be expired now, told nobody anything.
    """
    arrives = or_(
        delivery.c.state.in_((DeliveryState.SENT.value, LEASED)),
        (delivery.c.state == PENDING) & (delivery.c.valid_until > now),
    )
    of_episodes = (
        select(*_COLUMNS)
        .join(episode, episode.c.id == delivery.c.subject_id)
        .where(episode.c.ended_at.is_(None), arrives)
    )
    # A station is blind again and again under the same name: only this time counts.
    of_stations = (
        select(*_COLUMNS)
        .join(station_state, station_state.c.station == delivery.c.subject_id)
        .join(delivery_event, delivery_event.c.delivery_id == delivery.c.id)
        .join(event, event.c.id == delivery_event.c.event_id)
        .where(event.c.at >= station_state.c.blind_since, arrives)
    )
    last: dict[tuple[str, str], RowMapping] = {}
    for query in (of_episodes, of_stations):
        for row in connection.execute(query.order_by(delivery.c.number)).mappings():
            last[row["destination"], row["subject_id"]] = row
    return {key: _told(row) for key, row in last.items() if row["told_as"] not in _ENDINGS}


def _told(row: RowMapping) -> Told:
    return Told(
        destination=row["destination"],
        subject_id=row["subject_id"],
        type=EventType(row["told_as"]),
        level=level_of(row["level"]),
        kind=kind_of(row["kind"]),
    )
