"""The rows of reports: the raw text, and of an observation the Moment that the history needs."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, RowMapping, bindparam, select, update

from watcher.alerts.changes import StationChange
from watcher.alerts.habits import Heard
from watcher.reports.decode import decode_report
from watcher.reports.model import Forecast, Observation, Report, Unreadable
from watcher.rulebook.history import Moment
from watcher.rulebook.observed import moment_of
from watcher.store.model import KeptReport
from watcher.store.states import time_of
from watcher.store.tables import report, station_state, unreadable
from watcher.store.upsert import in_portions, insert_into, insert_new

_MOMENT = ("routine", "temp_c", "precipitation", "wet")


def write_reports(connection: Connection, changes: Sequence[StationChange]) -> None:
    """Write new reports, and mark those that others took the place of.

    A report that is there already stays, unless it came to count only now: one from ahead of the clock becomes part of
    the history when its time has come, and a forecast may come into force again.
    """
    rows = [row for change in changes for row in _rows(change)]
    if rows:
        statement = insert_into(connection, report)
        new = statement.excluded
        connection.execute(
            statement.on_conflict_do_update(
                index_elements=[report.c.station, report.c.observed_at, report.c.text_hash],
                set_={name: new[name] for name in (*_MOMENT, "received_at", "feed")},
                where=report.c.routine.is_(None) & (new.routine.is_not(None) | (new.kind == "TAF")),
            ),
            rows,
        )
    marks = [mark for change in changes for mark in _marks(change)]
    if marks:
        connection.execute(
            update(report)
            .where(
                report.c.station == bindparam("of_station"),
                report.c.observed_at == bindparam("of_time"),
                report.c.text_hash == bindparam("old"),
            )
            .values(superseded_by=bindparam("new")),
            marks,
        )


def write_unreadable(connection: Connection, reports: Sequence[Report]) -> None:
    """Write texts that could not be read, each once."""
    insert_new(connection, unreadable, [_unreadable_row(item) for item in reports])


def read_unreadable(connection: Connection, limit: int) -> tuple[Report, ...]:
    """Return the texts that could not be read, the newest first."""
    query = select(unreadable).order_by(unreadable.c.id.desc()).limit(limit)
    return tuple(
        Report(Unreadable(row["raw"], row["error"], row["station"]), row["text_hash"], row["feed"], row["received_at"])
        for row in connection.execute(query).mappings()
    )


def latest_reports(connection: Connection, codes: Sequence[str]) -> dict[str, Report]:
    """Return each station's newest usable observation."""
    return dict(_reports_named_by(connection, codes, "latest", Observation))


def forecasts(connection: Connection, codes: Sequence[str]) -> dict[str, Report]:
    """Return each station's forecast in force."""
    return dict(_reports_named_by(connection, codes, "forecast", Forecast))


def replaced(connection: Connection, codes: Sequence[str]) -> dict[str, list[str]]:
    """Return by station the text hashes that the latest report took the place of."""
    found: dict[str, list[str]] = {}
    for some in in_portions(codes):
        query = (
            select(report.c.station, report.c.text_hash)
            .join(
                station_state,
                (station_state.c.station == report.c.station) & (station_state.c.latest_at == report.c.observed_at),
            )
            .where(station_state.c.station.in_(some), report.c.superseded_by.is_not(None))
            .order_by(report.c.id)
        )
        for station, text_hash in connection.execute(query):
            found.setdefault(station, []).append(text_hash)
    return found


def histories(connection: Connection, codes: Sequence[str], since: datetime) -> dict[str, tuple[Moment, ...]]:
    """Return by station the Moments from a time on, oldest first."""
    found: dict[str, dict[datetime, Moment]] = {}
    columns = (report.c.station, report.c.observed_at, *(report.c[name] for name in _MOMENT))
    for some in in_portions(codes):
        query = (
            select(*columns)
            .where(
                report.c.station.in_(some),
                report.c.observed_at >= since,
                report.c.routine.is_not(None),
                report.c.superseded_by.is_(None),
            )
            .order_by(report.c.station, report.c.observed_at, report.c.id)
        )
        for station, *moment in connection.execute(query):
            found.setdefault(station, {}).setdefault(moment[0], Moment(*moment))
    return {station: tuple(moments.values()) for station, moments in found.items()}


def observations_since(
    connection: Connection, codes: Sequence[str], since: datetime
) -> dict[str, tuple[Observation, ...]]:
    """Return by station the reports from a time of observation on, oldest first, without those that were corrected."""
    found: dict[str, list[Observation]] = {}
    for some in in_portions(codes):
        query = (
            select(report)
            .where(
                report.c.station.in_(some),
                report.c.observed_at >= since,
                report.c.kind != "TAF",
                report.c.superseded_by.is_(None),
            )
            .order_by(report.c.station, report.c.observed_at, report.c.id)
        )
        for row in connection.execute(query).mappings():
            decoded = _report_of(row).decoded
            if isinstance(decoded, Observation):
                found.setdefault(row["station"], []).append(decoded)
    return {station: tuple(items) for station, items in found.items()}


def heard(connection: Connection, codes: Sequence[str], since: datetime) -> dict[str, list[Heard]]:
    """Return by station the usable reports from a time of observation on, in short, oldest first."""
    # A report that is no part of the history came late, or holds nothing; of texts the second are told by their word.
    usable = report.c.routine.is_not(None) | ~(report.c.raw.like("% NIL%") | report.c.raw.like("<%"))
    auto = report.c.raw.like("% AUTO %") | report.c.raw.like('%automatedStation="true"%')
    found: dict[str, list[Heard]] = {}
    for some in in_portions(codes):
        query = (
            select(report.c.station, report.c.observed_at, report.c.received_at, auto, report.c.kind == "METAR")
            .where(
                report.c.station.in_(some),
                report.c.observed_at >= since,
                report.c.kind != "TAF",
                report.c.superseded_by.is_(None),
                usable,
            )
            .order_by(report.c.station, report.c.observed_at, report.c.id)
        )
        for station, observed_at, received_at, is_auto, routine in connection.execute(query):
            found.setdefault(station, []).append(Heard(observed_at, received_at, bool(is_auto), bool(routine)))
    return found


def reports_of(
    connection: Connection, station: str, since: datetime, until: datetime, limit: int
) -> tuple[KeptReport, ...]:
    """Return a station's reports of a time, newest first; see `Store.reports_of`."""
    query = (
        select(report)
        .where(report.c.station == station, report.c.observed_at >= since, report.c.observed_at <= until)
        .order_by(report.c.observed_at.desc(), report.c.id.desc())
        .limit(limit)
    )
    rows = connection.execute(query).mappings()
    return tuple(KeptReport(_report_of(row), row["superseded_by"] is not None) for row in rows)


def _reports_named_by(
    connection: Connection, codes: Sequence[str], name: str, wanted: type[Observation | Forecast]
) -> Iterator[tuple[str, Report]]:
    for some in in_portions(codes):
        query = select(report).join(station_state, _named_by(name)).where(station_state.c.station.in_(some))
        for row in connection.execute(query).mappings():
            found = _report_of(row)
            if isinstance(found.decoded, wanted):
                yield row["station"], found


def _named_by(name: str) -> ColumnElement[bool]:
    return (
        (station_state.c.station == report.c.station)
        & (station_state.c[f"{name}_at"] == report.c.observed_at)
        & (station_state.c[f"{name}_hash"] == report.c.text_hash)
    )


def _report_of(row: RowMapping) -> Report:
    """Return a report, read again from its text. The second reader's doubts were kept and need not be found again."""
    decoded = decode_report(
        row["raw"],
        received_at=row["received_at"],
        kind=row["kind"],
        observed_at=row["observed_at"],
        second_reader=False,
    )
    if isinstance(decoded, Observation) and row["doubts"] is not None:
        decoded = decoded._replace(doubts=tuple(json.loads(row["doubts"])))
    return Report(decoded, row["text_hash"], row["feed"], row["received_at"])


def _rows(change: StationChange) -> Iterator[dict[str, Any]]:
    history = frozenset(change.after.history)
    for item in change.reports:
        decoded = item.decoded
        assert isinstance(decoded, Observation | Forecast)
        moment = moment_of(decoded) if isinstance(decoded, Observation) else None
        yield {
            "station": change.station,
            "observed_at": time_of(item),
            "text_hash": item.text_hash,
            "kind": decoded.kind if isinstance(decoded, Observation) else "TAF",
            "correction": _correction(decoded),
            "received_at": item.received_at,
            "feed": item.feed,
            "raw": decoded.raw if decoded.source is None else decoded.source,
            "doubts": json.dumps(decoded.doubts) if decoded.doubts else None,
            "superseded_by": None,
            **_moment_columns(moment if moment in history else None),
        }


def _moment_columns(moment: Moment | None) -> dict[str, Any]:
    return {name: None if moment is None else getattr(moment, name) for name in _MOMENT}


def _correction(decoded: Observation | Forecast) -> str | None:
    if isinstance(decoded, Observation):
        return decoded.correction
    return "AMD" if decoded.amendment else "COR" if decoded.correction else None


def _marks(change: StationChange) -> Iterator[dict[str, Any]]:
    times = {item.text_hash: time_of(item) for item in change.reports}
    for old, new in change.superseded:
        # Both are of one time, and at least one of the two is new.
        yield {"of_station": change.station, "of_time": times.get(new) or times[old], "old": old, "new": new}


def _unreadable_row(item: Report) -> dict[str, Any]:
    decoded = item.decoded
    assert isinstance(decoded, Unreadable)
    return {
        "text_hash": item.text_hash,
        "station": decoded.station,
        "received_at": item.received_at,
        "feed": item.feed,
        "raw": decoded.raw,
        "error": decoded.error,
    }
