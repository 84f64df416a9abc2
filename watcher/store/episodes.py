"""The rows of episodes and events."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from functools import cache
from typing import Any

from pydantic import TypeAdapter
from sqlalchemy import ColumnElement, Connection, RowMapping, Select, func, insert, select

from watcher.alerts.model import Episode, Event, EventBody, EventType, Hold, Phase, SubjectKind, Taken
from watcher.outlook.model import Expectation
from watcher.rulebook.words import Certainty, Flag, Kind, Level, NoTime
from watcher.store.tables import episode, event
from watcher.store.upsert import in_portions, insert_new, insert_or_replace, one_of


@dataclass(frozen=True, slots=True)
class _Ahead(Expectation):
    """An expectation as the row of an episode keeps it. `told_from`: that of its episode; rows of before have none."""

    told_from: datetime | None = None

    @classmethod
    def of(cls, item: Expectation, told_from: datetime | None) -> _Ahead:
        return cls(**_fields_of(item), told_from=told_from)

    def alone(self) -> Expectation:
        return Expectation(**_fields_of(self))


def _fields_of(item: Expectation) -> dict[str, Any]:
    return {name: getattr(item, name) for name in _FIELDS}


_FIELDS = tuple(field.name for field in fields(Expectation))
_HOLDS = TypeAdapter(tuple[Hold, ...])
_EXPECTED = TypeAdapter(tuple[_Ahead, ...])
_TAKEN = TypeAdapter(Taken)
_BODY = TypeAdapter(EventBody)


def write_episodes(connection: Connection, episodes: Iterable[Episode]) -> None:
    """Write episodes as they now stand."""
    insert_or_replace(connection, episode, "id", [_episode_row(item) for item in episodes])


def write_events(connection: Connection, events: Iterable[Event]) -> None:
    """Add events at the end, in their order."""
    rows = [_event_row(item) for item in events]
    if rows:
        connection.execute(insert(event), rows)


def write_digests(connection: Connection, events: Sequence[Event]) -> None:
    """Add digests; one for a time that has one already is left out."""
    insert_new(connection, event, [_event_row(item) for item in events])


def read_episodes(connection: Connection, *, open_only: bool) -> tuple[Episode, ...]:
    """Return episodes by station and number."""
    query = select(episode).order_by(episode.c.station, episode.c.number)
    if open_only:
        query = query.where(episode.c.ended_at.is_(None))
    return tuple(episode_of(row) for row in connection.execute(query).mappings())


def read_episode(connection: Connection, episode_id: str) -> Episode | None:
    """Return one episode by its name."""
    row = connection.execute(select(episode).where(episode.c.id == episode_id)).mappings().first()
    return episode_of(row) if row is not None else None


def newest_event(connection: Connection, subject_id: str) -> Event | None:
    """Return the last event of a subject."""
    query = select(event).where(*_of_subject(subject_id)).order_by(event.c.seq.desc()).limit(1)
    row = connection.execute(query).mappings().first()
    return event_of(row) if row is not None else None


def events_of(connection: Connection, subject_id: str) -> tuple[Event, ...]:
    """Return the events of a subject by their numbers."""
    query = select(event).where(*_of_subject(subject_id)).order_by(event.c.seq)
    return tuple(event_of(row) for row in connection.execute(query).mappings())


def events_between(connection: Connection, begin: datetime, end: datetime) -> tuple[Event, ...]:
    """Return the events made from a time up to and with another, in their order."""
    query = select(event).where(event.c.at >= begin, event.c.at <= end).order_by(event.c.number)
    return tuple(event_of(row) for row in connection.execute(query).mappings())


def events_named(connection: Connection, ids: Iterable[str]) -> dict[str, Event]:
    """Return events by their names."""
    return {name: event_of(row) for name, row in rows_named(connection, ids).items()}


def rows_named(connection: Connection, ids: Iterable[str]) -> dict[str, RowMapping]:
    """Return the rows of events by their names."""
    found: dict[str, RowMapping] = {}
    for some in in_portions(sorted(ids)):
        rows = connection.execute(_events_named(connection.dialect.name), {"ids": some}).mappings()
        found.update((row["id"], row) for row in rows)
    return found


@cache
def _events_named(dialect: str) -> Select[Any]:
    return select(event).where(one_of(dialect, event.c.id, "ids"))


def open_episodes(connection: Connection, codes: Sequence[str]) -> dict[str, list[Episode]]:
    """Return the episodes of some stations that have not ended, by their numbers."""
    found: dict[str, list[Episode]] = {}
    for some in in_portions(codes):
        query = (
            select(episode)
            .where(episode.c.ended_at.is_(None), episode.c.station.in_(some))
            .order_by(episode.c.station, episode.c.number)
        )
        for row in connection.execute(query).mappings():
            found.setdefault(row["station"], []).append(episode_of(row))
    return found


def events_after(connection: Connection, number: int, limit: int) -> tuple[tuple[int, Event], ...]:
    """Return the events that were added after a number, each with its own."""
    query = select(event).where(event.c.number > number).order_by(event.c.number).limit(limit)
    return tuple((row["number"], event_of(row)) for row in connection.execute(query).mappings())


def newest_number(connection: Connection) -> int:
    """Return the number of the newest event that is kept; 0 where there is none."""
    found: int | None = connection.execute(select(func.max(event.c.number))).scalar()
    return found or 0


def episode_of(row: RowMapping) -> Episode:
    """Return the episode that a row holds."""
    ahead = _EXPECTED.validate_json(row["expected"])
    return Episode(
        station=row["station"],
        number=row["number"],
        flag=Flag(row["flag"]),
        kind=Kind(row["kind"]),
        level=Level(row["level"]),
        phase=Phase(row["phase"]),
        began_at=row["began_at"],
        changed_at=row["changed_at"],
        opened_at=row["opened_at"],
        ended_at=row["ended_at"],
        until=row["until"],
        certainty=Certainty(row["certainty"]) if row["certainty"] is not None else None,
        no_time=NoTime(row["no_time"]) if row["no_time"] is not None else None,
        holds=_HOLDS.validate_json(row["holds"]),
        expected=tuple(item.alone() for item in ahead),
        taken=_TAKEN.validate_json(row["taken"]) if row["taken"] is not None else None,
        seq=row["seq"],
        told_from=next((item.told_from for item in ahead), None),
    )


def event_of(row: RowMapping) -> Event:
    """Return the event that a row holds."""
    return Event(
        subject_kind=SubjectKind(row["subject_kind"]),
        subject_id=row["subject_id"],
        seq=row["seq"],
        type=EventType(row["type"]),
        at=row["at"],
        body=_BODY.validate_json(row["body"]),
    )


def _of_subject(subject_id: str) -> tuple[ColumnElement[bool], ...]:
    # The kinds are named for the index, which begins with them.
    return event.c.subject_kind.in_([kind.value for kind in SubjectKind]), event.c.subject_id == subject_id


def _episode_row(item: Episode) -> dict[str, Any]:
    return {
        "id": item.id,
        "station": item.station,
        "number": item.number,
        "flag": item.flag.value,
        "kind": item.kind.value,
        "level": item.level.value,
        "phase": item.phase.value,
        "began_at": item.began_at,
        "changed_at": item.changed_at,
        "opened_at": item.opened_at,
        "ended_at": item.ended_at,
        "until": item.until,
        "certainty": item.certainty.value if item.certainty is not None else None,
        "no_time": item.no_time.value if item.no_time is not None else None,
        "holds": _HOLDS.dump_json(item.holds).decode(),
        "expected": _EXPECTED.dump_json(tuple(_Ahead.of(each, item.told_from) for each in item.expected)).decode(),
        "taken": _TAKEN.dump_json(item.taken).decode() if item.taken is not None else None,
        "seq": item.seq,
    }


def _event_row(item: Event) -> dict[str, Any]:
    return {
        "id": item.id,
        "subject_kind": item.subject_kind.value,
        "subject_id": item.subject_id,
        "seq": item.seq,
        "type": item.type.value,
        "at": item.at,
        "body": _BODY.dump_json(item.body).decode(),
    }
