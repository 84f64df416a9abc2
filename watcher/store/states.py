"""The rows of stations: what each is known to be doing, fenced by its version."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from pydantic import TypeAdapter
from sqlalchemy import Connection, RowMapping, insert, select
from sqlalchemy.exc import IntegrityError

from watcher.alerts.changes import StationChange
from watcher.alerts.model import Spent, StationState
from watcher.errors import StoreConflict
from watcher.reports.model import Forecast, Observation, Report
from watcher.store.tables import station_state
from watcher.store.upsert import in_portions, insert_or_replace

_SPENT = TypeAdapter(tuple[Spent, ...])


def write_states(connection: Connection, changes: Sequence[StationChange]) -> None:
    """Write the states after the changes.

    Raises
    ------
    StoreConflict
        A station has another version than its change was made from; names the stations.
    """
    found = _versions(connection, [change.station for change in changes])
    changed = [change.station for change in changes if found.get(change.station, 0) != change.expects_version]
    if changed:
        raise StoreConflict(f"changed by another process since they were loaded: {_some(changed)}")
    insert_or_replace(
        connection, station_state, "station", [_row(change) for change in changes if change.station in found]
    )
    _add(connection, [_row(change) for change in changes if change.station not in found])


def versions(connection: Connection) -> dict[str, int]:
    """Return the version of every station."""
    return dict(connection.execute(select(station_state.c.station, station_state.c.version)).all())


def state_of(row: RowMapping) -> StationState:
    """Return the state that a row holds."""
    return StationState(
        station=row["station"],
        version=row["version"],
        cadence_min=row["cadence_min"],
        last_report_at=row["last_report_at"],
        watched_since=row["watched_since"],
        blind_since=row["blind_since"],
        episodes_begun=row["episodes_begun"],
        seq=row["seq"],
        spent=_SPENT.validate_json(row["spent"]) if row["spent"] != "[]" else (),
    )


def _add(connection: Connection, rows: Sequence[dict[str, Any]]) -> None:
    """Add new stations. They had no row to lock: on PostgreSQL another process may have added one meanwhile."""
    try:
        if rows:
            connection.execute(insert(station_state), rows)
    except IntegrityError as error:
        raise StoreConflict(f"another process added one of these: {_some([row['station'] for row in rows])}") from error


def _some(codes: Sequence[str]) -> str:
    return ", ".join(codes[:5]) + (f" and {len(codes) - 5} more" if len(codes) > 5 else "")


def _versions(connection: Connection, codes: Sequence[str]) -> dict[str, int]:
    found: dict[str, int] = {}
    for some in in_portions(codes):
        # The lock is for PostgreSQL: on SQLite a transaction that writes is alone from its beginning.
        query = (
            select(station_state.c.station, station_state.c.version)
            .where(station_state.c.station.in_(some))
            .order_by(station_state.c.station)
            .with_for_update()
        )
        found.update(connection.execute(query).all())
    return found


def _row(change: StationChange) -> dict[str, Any]:
    state, latest, forecast = change.after.state, change.after.latest, change.after.forecast
    return {
        "station": change.station,
        "version": change.expects_version + 1,
        "cadence_min": state.cadence_min,
        "last_report_at": state.last_report_at,
        "watched_since": state.watched_since,
        "blind_since": state.blind_since,
        "episodes_begun": state.episodes_begun,
        "seq": state.seq,
        "spent": _SPENT.dump_json(state.spent).decode(),
        "latest_at": time_of(latest) if latest is not None else None,
        "latest_hash": latest.text_hash if latest is not None else None,
        "forecast_at": time_of(forecast) if forecast is not None else None,
        "forecast_hash": forecast.text_hash if forecast is not None else None,
    }


def time_of(report: Report) -> datetime:
    """Return the time that a report is kept under: of observation, or of issue."""
    decoded = report.decoded
    assert isinstance(decoded, Observation | Forecast)
    return decoded.observed_at if isinstance(decoded, Observation) else decoded.issued_at
