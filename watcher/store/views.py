"""What is remembered of stations, put together as the judgement takes it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import Connection, select

from watcher.alerts.model import StationState, StationView
from watcher.reports.station import Station
from watcher.store.episodes import open_episodes
from watcher.store.reports import forecasts, histories, latest_reports, replaced
from watcher.store.states import state_of
from watcher.store.tables import station_state
from watcher.store.upsert import in_portions


def read_views(connection: Connection, stations: Sequence[Station], since: datetime) -> dict[str, StationView]:
    """Return a view of every station, with the history from a time on. A new station's view is blank."""
    codes = [station.code for station in stations]
    states = _states(connection, codes)
    latest = latest_reports(connection, codes)
    newest_forecasts = forecasts(connection, codes)
    history = histories(connection, codes, since)
    episodes = open_episodes(connection, codes)
    hashes = replaced(connection, codes)
    return {
        station.code: StationView(
            station=station,
            state=states.get(station.code) or StationState(station.code),
            latest=latest.get(station.code),
            forecast=newest_forecasts.get(station.code),
            history=history.get(station.code, ()),
            episodes=tuple(episodes.get(station.code, ())),
            replaced=tuple(hashes.get(station.code, ())),
        )
        for station in stations
    }


def station_codes(connection: Connection) -> frozenset[str]:
    """Return the codes of all stations that were ever judged."""
    return frozenset(connection.execute(select(station_state.c.station)).scalars())


def blind_stations(connection: Connection) -> frozenset[str]:
    """Return the codes of the stations that are blind."""
    query = select(station_state.c.station).where(station_state.c.blind_since.is_not(None))
    return frozenset(connection.execute(query).scalars())


def _states(connection: Connection, codes: Sequence[str]) -> dict[str, StationState]:
    found: dict[str, StationState] = {}
    for some in in_portions(codes):
        query = select(station_state).where(station_state.c.station.in_(some))
        found.update((row["station"], state_of(row)) for row in connection.execute(query).mappings())
    return found
