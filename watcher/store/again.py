"""Sending again what did not arrive: under its own name, only while it still says how things stand."""

from __future__ import annotations

from datetime import datetime, timedelta

from sqlalchemy import Connection, RowMapping, select, update

from watcher.alerts.model import ENDINGS, SubjectKind
from watcher.store.destinations import disabled_names
from watcher.store.model import Again, DeliveryState
from watcher.store.outbox import LEASED, PENDING, let_time_pass
from watcher.store.protections import read_protection
from watcher.store.tables import delivery, delivery_event, episode, event, station_state

# So long the message is worth sending from now on: enough for the retries of half an hour, and no stale news later.
WORTH_AGAIN = timedelta(minutes=30)
# What was made longer ago than this is no news to anybody. Common practice, no source.
OLDEST = timedelta(hours=24)

_ENDINGS = frozenset(kind.value for kind in ENDINGS)


def send_again(connection: Connection, delivery_id: str, now: datetime) -> Again:
    """Let a message that did not arrive be due now; see `Store.send_again`."""
    let_time_pass(connection, now)
    row = connection.execute(select(delivery).where(delivery.c.id == delivery_id).with_for_update()).mappings().first()
    if row is None:
        return Again.UNKNOWN
    refusal = _why_not(connection, row, now)
    if refusal is not None:
        return refusal
    connection.execute(
        update(delivery)
        .where(delivery.c.number == row["number"])
        .values(
            state=PENDING,
            due_at=now,
            waits_since=now,
            valid_until=max(row["valid_until"], now + WORTH_AGAIN),
            lease_until=None,
            settled_at=None,
        )
    )
    return Again.DUE


def _why_not(connection: Connection, row: RowMapping, now: datetime) -> Again | None:
    if row["state"] == DeliveryState.SENT.value:
        return Again.ARRIVED
    if row["state"] == LEASED:
        return Again.UNDER_WAY
    if row["destination"] in disabled_names(connection):
        return Again.SWITCHED_OFF
    if row["state"] == PENDING:
        return None
    if now - row["made_at"] > OLDEST:
        return Again.TOO_OLD
    query = select(*delivery_event.c, event.c.subject_kind).join(event, event.c.id == delivery_event.c.event_id)
    lines = connection.execute(query.where(delivery_event.c.delivery_id == row["id"])).mappings().all()
    if any(_newer(connection, line) for line in lines):
        return Again.NEWER
    return None if all(holds(connection, line) for line in lines) else Again.OUTDATED


def _newer(connection: Connection, line: RowMapping) -> bool:
    """Return whether another message tells its destination what came later, or the same once more."""
    query = select(delivery_event.c.number).where(
        delivery_event.c.subject_id == line["subject_id"],
        delivery_event.c.destination == line["destination"],
        delivery_event.c.number > line["number"],
        delivery_event.c.delivery_id != line["delivery_id"],
    )
    return connection.execute(query.limit(1)).first() is not None


def holds(connection: Connection, line: RowMapping) -> bool:
    """Return whether a line still says how its subject stands; an end, once true, stays so."""
    subject, kind = line["subject_id"], line["subject_kind"]
    if kind == SubjectKind.EPISODE.value and line["told_as"] not in _ENDINGS:
        found = connection.execute(
            select(episode.c.level, episode.c.kind).where(episode.c.id == subject, episode.c.ended_at.is_(None))
        ).first()
        return found is not None and (found.level, found.kind) == (line["level"], line["kind"])
    if kind == SubjectKind.STATION.value:
        query = select(station_state.c.seq).where(station_state.c.station == subject)
        return bool(connection.execute(query).scalar() == line["seq"])
    if kind == SubjectKind.PROTECTION.value:
        found_protection = read_protection(connection, subject)
        return found_protection is not None and found_protection.ended_at is None
    return True
