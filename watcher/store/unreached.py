"""What does not reach its destination, for whoever stands in for that: who is silent, and what is the newest of it."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace
from datetime import datetime

from sqlalchemy import ColumnElement, Connection, RowMapping, Select, and_, func, or_, select

from watcher.alerts.model import ENDINGS, EventType
from watcher.alerts.outbox import Detour, Unreached
from watcher.store.again import holds
from watcher.store.model import DeliveryState
from watcher.store.outbox import OWED, kind_of, level_of
from watcher.store.tables import delivery, delivery_event, event
from watcher.store.told import Said, said_of

_SENT, _DEAD, _EXPIRED = (state.value for state in (DeliveryState.SENT, DeliveryState.DEAD, DeliveryState.EXPIRED))
_ENDINGS = tuple(kind.value for kind in ENDINGS)


def read_silent(connection: Connection, names: Collection[str], before: datetime) -> frozenset[str]:
    """Return which destinations are out of reach; see `Store.silent_destinations`."""
    failing = (
        select(delivery.c.destination, func.min(delivery.c.made_at))
        .where(delivery.c.destination.in_(names), _fails_since(before))
        .group_by(delivery.c.destination)
    )
    return frozenset(
        name for name, since in connection.execute(failing).all() if not _took_anything(connection, name, since)
    )


def read_unreached(  # noqa: PLR0917 - the destinations in their three states, and two times
    connection: Connection,
    readers: Mapping[str, str],
    silent: Collection[str],
    off: Collection[str],
    now: datetime,
    before: datetime,
) -> tuple[Unreached, ...]:
    """Return the newest of each subject that did not reach its destination; see `Store.unreached`."""
    found = [
        _unreached(row, off=name in off)
        for name, reader in readers.items()
        for row in _rows(connection, name, reader, _given_up(name, silent, off, before), now)
    ]
    said = said_of(connection, found)
    return tuple(_with_said(line, said.get((line.subject_id, line.seq))) for line in found)


def _with_said(line: Unreached, said: Said | None) -> Unreached:
    return line if said is None else replace(line, no_time=said.no_time, begins_at=said.begins_at)


def _fails_since(before: datetime) -> ColumnElement[bool]:
    """Return which messages are owed, were tried, and were made before a time."""
    return and_(delivery.c.state.in_(OWED), delivery.c.last_error.is_not(None), delivery.c.made_at <= before)


def _took_anything(connection: Connection, name: str, since: datetime) -> bool:
    query = select(delivery.c.number).where(
        delivery.c.state == _SENT, delivery.c.destination == name, delivery.c.settled_at >= since
    )
    return connection.execute(query.limit(1)).first() is not None


def _given_up(name: str, silent: Collection[str], off: Collection[str], before: datetime) -> ColumnElement[bool]:
    """Return which messages of a destination count as not arriving."""
    owed = delivery.c.state.in_(OWED) if name in silent else _fails_since(before)
    # What was let go when it was switched off is expired before its time.
    over = (_DEAD, _EXPIRED) if name in off else (_DEAD,)
    return or_(owed, delivery.c.state.in_(over))


def _rows(
    connection: Connection, name: str, reader: str, given_up: ColumnElement[bool], now: datetime
) -> Iterator[RowMapping]:
    query = _LINES.where(
        delivery_event.c.destination == name,
        delivery.c.destination == name,
        delivery.c.valid_until > now,
        given_up,
        ~_NEWER,
        ~_known_to(reader),
        or_(delivery_event.c.told_as.not_in(_ENDINGS), _HEARD_BEFORE),
    ).order_by(delivery_event.c.number)
    rows = connection.execute(query).mappings().all()
    return (row for row in rows if holds(connection, row))


_LINES: Select[tuple[object, ...]] = (
    select(*delivery_event.c, delivery.c.state, delivery.c.valid_until, event.c.subject_kind)
    .join(delivery, delivery.c.id == delivery_event.c.delivery_id)
    .join(event, event.c.id == delivery_event.c.event_id)
)
_other, _message = delivery_event.alias("other"), delivery.alias("message")
_of_same = and_(
    _other.c.subject_id == delivery_event.c.subject_id, _other.c.destination == delivery_event.c.destination
)
_NEWER = select(_other.c.number).where(_of_same, _other.c.number > delivery_event.c.number).exists()
_HEARD_BEFORE = (
    select(_other.c.number)
    .join(_message, _message.c.id == _other.c.delivery_id)
    .where(_of_same, _other.c.number < delivery_event.c.number, _message.c.state == _SENT)
    .exists()
)


def _known_to(reader: str) -> ColumnElement[bool]:
    """Return whether a reader is told the same, or was, for whomever."""
    return (
        select(_other.c.number)
        .where(
            _other.c.event_id == delivery_event.c.event_id,
            _other.c.destination == reader,
            _other.c.repeat == delivery_event.c.repeat,
        )
        .exists()
    )


def _unreached(row: RowMapping, *, off: bool) -> Unreached:
    refused = Detour.REFUSED if row["state"] == _DEAD else Detour.SILENT
    return Unreached(
        destination=row["destination"],
        subject_id=row["subject_id"],
        seq=row["seq"],
        told_as=EventType(row["told_as"]),
        level=level_of(row["level"]),
        kind=kind_of(row["kind"]),
        repeat=row["repeat"],
        made_at=row["made_at"],
        valid_until=row["valid_until"],
        why=Detour.OFF if off else refused,
        meant_for=row["meant_for"],
    )
