"""Changes made by hand: one station with an episode, its events, and messages about them."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import create_engine, func, inspect, select, text
from sqlalchemy.pool import NullPool

from watcher.alerts.changes import Changes, StationChange
from watcher.alerts.model import Episode, Event, EventBody, EventType, Phase, StationState, StationView, SubjectKind
from watcher.alerts.outbox import NewDelivery
from watcher.reports.decode import decode_report
from watcher.reports.identity import text_hash
from watcher.reports.model import Report
from watcher.reports.station import Station
from watcher.rulebook.words import Flag, Kind, Level
from watcher.store.store import Store
from watcher.store.tables import metadata

NOW = datetime(2026, 1, 12, 6, 0, tzinfo=UTC)
MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
LEASE = 2 * MINUTE


def after(minutes: float) -> datetime:
    return NOW + timedelta(minutes=minutes)


def heard(text: str, received_at: datetime = NOW, feed: str = "world") -> Report:
    return Report(decode_report(text, received_at=received_at), text_hash(text), feed, received_at)


def an_episode(number: int = 1, station: str = "XNOR", **fields: Any) -> Episode:
    known: dict[str, Any] = {
        "flag": Flag.SNOW,
        "kind": Kind.OBSERVED,
        "level": Level.TREAT,
        "phase": Phase.PRESENT,
        "began_at": NOW,
        "changed_at": NOW,
        "opened_at": NOW,
        "seq": 1,
    }
    return Episode(station=station, number=number, **(known | fields))


def an_event(subject: str, seq: int = 1, type_: EventType = EventType.OPENED, at: datetime = NOW) -> Event:
    kind = SubjectKind.EPISODE if "-" in subject else SubjectKind.STATION
    station = subject.partition("-")[0]
    body = EventBody(station, "Northby", "Europe/Oslo", f"{subject} treat: snow", "why", "next", level=Level.TREAT)
    return Event(kind, subject, seq, type_, at, body)


def a_change(
    station: str = "XNOR", version: int = 0, *, state: StationState | None = None, **made: Any
) -> StationChange:
    after_it = replace(state or StationState(station), version=version + 1)
    return StationChange(station, version, StationView(Station(station), after_it), **made)


def a_delivery(destination: str, event: Event, **fields: Any) -> NewDelivery:
    known: dict[str, Any] = {
        "told_as": event.type,
        "level": event.body.level,
        "kind": Kind.OBSERVED,
        "made_at": event.at,
        "valid_until": event.at + 6 * HOUR,
    }
    return NewDelivery(
        id=f"msg_{event.id}_{destination}",
        destination=destination,
        subject_id=event.subject_id,
        seq=event.seq,
        **(known | fields),
    )


@dataclass
class Owing:
    """Puts messages into an outbox, each with the event that it is about. Knows the stations' versions."""

    store: Store
    versions: dict[str, int] = field(default_factory=dict)
    seqs: dict[str, int] = field(default_factory=dict)

    def owe(self, subject: str, *destinations: str, at: datetime = NOW, **fields: Any) -> tuple[str, ...]:
        """Add one event about a subject, owed to these destinations; return the ids of the messages."""
        station = subject.partition("-")[0]
        version = self.versions.get(station, 0)
        seq = self.seqs.get(subject, 0) + 1
        event = an_event(subject, seq, at=at)
        deliveries = tuple(a_delivery(name, event, **fields) for name in destinations)
        change = a_change(station, version, events=(event,))
        self.store.commit(Changes(at, (change,), deliveries))
        self.versions[station] = version + 1
        self.seqs[subject] = seq
        return tuple(item.id for item in deliveries)


def claim(store: Store, now: datetime = NOW, limit: int = 100, per: int = 4, skip: Sequence[str] = ()) -> list[str]:
    return [item.id for item in store.claim(now, limit=limit, lease=LEASE, per_destination=per, skip=skip)]


def raw_connection(url: str) -> sqlite3.Connection:
    """Open the file past the store, with the standard library alone."""
    return sqlite3.connect(url.removeprefix("sqlite:///"), isolation_level=None)


def is_sound(url: str) -> bool:
    """Ask the database itself whether file and references are whole; PostgreSQL, which keeps its files, for these."""
    if not url.startswith("sqlite"):
        return dangling(url) == 0
    connection = raw_connection(url)
    try:
        whole = connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        return whole and connection.execute("PRAGMA foreign_key_check").fetchall() == []
    finally:
        connection.close()


def dangling(url: str) -> int:
    """Return how many rows name a row of another table that is not there."""
    engine = create_engine(url, poolclass=NullPool)
    pairs = [(key.parent, key.column) for table in metadata.sorted_tables for key in table.foreign_keys]
    with engine.connect() as connection:
        return sum(
            connection.execute(
                select(func.count()).where(mine.is_not(None), ~select(theirs).where(theirs == mine).exists())
            ).scalar_one()
            for mine, theirs in pairs
        )


def everything(url: str) -> dict[str, list[tuple[Any, ...]]]:
    """Return all rows of all tables, as the database itself has them."""
    engine = create_engine(url, poolclass=NullPool)
    with engine.connect() as connection:
        names = inspect(connection).get_table_names()
        rows = {name: connection.execute(text(f"SELECT * FROM {name}")).fetchall() for name in names}
        return {name: sorted((tuple(row) for row in found), key=repr) for name, found in rows.items()}
