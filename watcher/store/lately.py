"""What feeds, calendars and pages show: alerts that stand or ended lately, and stations that are blind or were."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Select, and_, or_, select

from watcher.alerts.model import Episode, Event, SubjectKind
from watcher.rulebook.words import Flag, Level
from watcher.store.episodes import episode_of, event_of, events_named
from watcher.store.model import EpisodesAsked
from watcher.store.tables import episode, event, station_state


def alerts_since(connection: Connection, since: datetime, station: str | None) -> tuple[tuple[Episode, Event], ...]:
    """Return the episodes that somebody was told of, open or ended since a time, each with its last event."""
    query = (
        select(episode)
        .where(episode.c.opened_at.is_not(None), or_(episode.c.ended_at.is_(None), episode.c.ended_at >= since))
        .order_by(episode.c.station, episode.c.number)
    )
    if station is not None:
        query = query.where(episode.c.station == station)
    return _with_last_event(connection, query)


def ended(  # noqa: PLR0917 - one for each thing that may be asked
    connection: Connection, limit: int, station: str | None, flag: Flag | None, min_level: Level, before: str | None
) -> tuple[tuple[Episode, Event], ...]:
    """Return the episodes that ended, the last to end first; see `Store.ended`."""
    query = (
        select(episode)
        .where(episode.c.opened_at.is_not(None), episode.c.ended_at.is_not(None), episode.c.level >= min_level.value)
        .order_by(episode.c.ended_at.desc(), episode.c.id.desc())
        .limit(limit)
    )
    if station is not None:
        query = query.where(episode.c.station == station)
    if flag is not None:
        query = query.where(episode.c.flag == flag.value)
    if before is not None:
        its_end = select(episode.c.ended_at).where(episode.c.id == before).scalar_subquery()
        earlier = episode.c.ended_at < its_end
        query = query.where(or_(earlier, and_(episode.c.ended_at == its_end, episode.c.id < before)))
    return _with_last_event(connection, query)


def told_episodes(connection: Connection, asked: EpisodesAsked, limit: int) -> tuple[tuple[Episode, Event | None], ...]:
    """Return episodes that somebody was told of, the last to begin first; see `Store.told_episodes`."""
    query = (
        select(episode)
        .where(episode.c.opened_at.is_not(None), episode.c.level >= asked.min_level.value)
        .order_by(episode.c.began_at.desc(), episode.c.id.desc())
        .limit(limit)
    )
    if asked.open is not None:
        query = query.where(episode.c.ended_at.is_(None) if asked.open else episode.c.ended_at.is_not(None))
    if asked.station is not None:
        query = query.where(episode.c.station == asked.station)
    if asked.flag is not None:
        query = query.where(episode.c.flag == asked.flag.value)
    if asked.changed_since is not None:
        query = query.where(episode.c.changed_at >= asked.changed_since)
    if asked.before is not None:
        began_at, name = asked.before
        earlier = episode.c.began_at < began_at
        query = query.where(or_(earlier, and_(episode.c.began_at == began_at, episode.c.id < name)))
    found = [episode_of(row) for row in connection.execute(query).mappings()]
    last = events_named(connection, (f"{item.id}.{item.seq}" for item in found))
    return tuple((item, last.get(f"{item.id}.{item.seq}")) for item in found)


def _with_last_event(connection: Connection, query: Select[Any]) -> tuple[tuple[Episode, Event], ...]:
    found = [episode_of(row) for row in connection.execute(query).mappings()]
    last = events_named(connection, (f"{item.id}.{item.seq}" for item in found))
    return tuple((item, last[name]) for item in found if (name := f"{item.id}.{item.seq}") in last)


def sights_since(connection: Connection, since: datetime, station: str | None) -> tuple[Event, ...]:
    """Return the last event of every station that is blind, or whose blindness ended after a time."""
    of_station = and_(
        event.c.subject_kind == SubjectKind.STATION.value,
        event.c.subject_id == station_state.c.station,
        event.c.seq == station_state.c.seq,
    )
    query = (
        select(event)
        .join(station_state, of_station)
        .where(or_(station_state.c.blind_since.is_not(None), event.c.at >= since))
        .order_by(event.c.number)
    )
    if station is not None:
        query = query.where(station_state.c.station == station)
    return tuple(event_of(row) for row in connection.execute(query).mappings())
