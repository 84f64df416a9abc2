"""Removing what is old and over, a little at a time, so that nobody waits long for their turn to write."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from sqlalchemy import ColumnElement, Connection, Delete, Table, delete, func, or_, select

from watcher.store import kept
from watcher.store.database import Database
from watcher.store.model import Thinned
from watcher.store.outbox import OWED
from watcher.store.tables import (
    acknowledgement,
    delivery,
    delivery_event,
    episode,
    event,
    protection,
    report,
    station_state,
    unreadable,
)
from watcher.store.turns import Turn, take_turn

_AT_ONCE = 2000


def thin(database: Database, before: datetime, at_most: timedelta | None = None) -> Thinned:
    """Remove what was over before a time; see `Store.thin`."""
    with database.write() as connection:
        # A database that was never thinned may begin with a clock that is ahead.
        last = kept.thinned_to(connection) or connection.execute(select(func.min(report.c.observed_at))).scalar()
        if last is not None and at_most is not None:
            before = min(before, last + at_most)
        kept.note_thinned(connection, before)
    return Thinned(
        reports=_remove(database, report, report.c.id, report.c.observed_at < before, ~_is_in_use()),
        unreadable=_remove(database, unreadable, unreadable.c.id, unreadable.c.received_at < before),
        deliveries=_remove(
            database,
            delivery,
            delivery.c.number,
            delivery.c.state.not_in(OWED),
            delivery.c.valid_until < before,
            ~_tells_of_what_goes_on(),
        ),
        events=_remove_events(database, before),
        episodes=_remove(database, episode, episode.c.id, episode.c.ended_at < before),
        acknowledgements=_remove(
            database,
            acknowledgement,
            acknowledgement.c.number,
            acknowledgement.c.at < before,
            ~_goes_on(acknowledgement.c.episode_id),
        ),
        protections=_remove(database, protection, protection.c.number, protection.c.ended_at < before),
    )


def _remove(database: Database, table: Table, key: ColumnElement[object], *conditions: ColumnElement[bool]) -> int:
    return sum(_portions(database, delete(table).where(key.in_(select(key).where(*conditions).limit(_AT_ONCE)))))


def _remove_events(database: Database, before: datetime) -> int:
    """Remove events, and note up to which number: whoever follows them is told what they will never see."""
    over = (
        event.c.at < before,
        ~_goes_on(event.c.subject_id),
        ~select(delivery_event.c.event_id).where(delivery_event.c.event_id == event.c.id).exists(),
    )
    some = select(event.c.number).where(*over).order_by(event.c.number).limit(_AT_ONCE)
    statement = delete(event).where(event.c.number.in_(some)).returning(event.c.number)
    removed, portion = 0, _AT_ONCE
    while portion == _AT_ONCE:
        with database.write() as connection:
            # A turn may owe one of these events again.
            take_turn(connection, Turn.JUDGE)
            numbers = connection.execute(statement).scalars().all()
            if numbers:
                kept.note_events_removed(connection, max(numbers))
        portion = len(numbers)
        removed += portion
    return removed


def _portions(database: Database, statement: Delete) -> Iterator[int]:
    removed = _AT_ONCE
    while removed == _AT_ONCE:
        with database.write() as connection:
            removed = _count(connection, statement)
        yield removed


def _count(connection: Connection, statement: Delete) -> int:
    return connection.execute(statement).rowcount


def _is_in_use() -> ColumnElement[bool]:
    """Return whether a station's view rests on the report."""
    named = or_(
        (station_state.c.latest_at == report.c.observed_at) & (station_state.c.latest_hash == report.c.text_hash),
        (station_state.c.forecast_at == report.c.observed_at) & (station_state.c.forecast_hash == report.c.text_hash),
    )
    return select(station_state.c.station).where(station_state.c.station == report.c.station, named).exists()


def _tells_of_what_goes_on() -> ColumnElement[bool]:
    """Return whether a message tells of an open episode or a blind station."""
    return (
        select(delivery_event.c.number)
        .where(delivery_event.c.delivery_id == delivery.c.id, _goes_on(delivery_event.c.subject_id))
        .exists()
    )


def _goes_on(subject_id: ColumnElement[str]) -> ColumnElement[bool]:
    """Return whether the subject is an open episode or a blind station."""
    return or_(
        select(episode.c.id).where(episode.c.id == subject_id, episode.c.ended_at.is_(None)).exists(),
        select(station_state.c.station)
        .where(station_state.c.station == subject_id, station_state.c.blind_since.is_not(None))
        .exists(),
    )
