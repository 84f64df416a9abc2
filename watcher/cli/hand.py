"""Reports given by hand on the command line: a view of a station made from texts."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from watcher.alerts.model import StationState, StationView
from watcher.clock import utc_now
from watcher.errors import Problem, UsageError
from watcher.reports.decode import decode_report
from watcher.reports.identity import text_hash
from watcher.reports.model import Forecast, Observation, Report, Unreadable
from watcher.reports.station import Station
from watcher.rulebook.observed import observed_facts
from watcher.stations import StationTable

if TYPE_CHECKING:
    from watcher.rulebook.facts import Facts

_FEED = "by hand"
_TIME = re.compile(r"\b(\d{2})(\d{2})(\d{2})Z")


def hand_view(report: str | None, taf: str | None, position: str | None, now: datetime) -> StationView:
    """Return a view with these texts as the station's latest.

    Raises
    ------
    UsageError
        A text cannot be read, the two name different stations, or the position is none.
    """
    decoded = [_decoded(text, option, now) for text, option in ((report, "--report"), (taf, "--taf")) if text]
    codes = {item.station for item in decoded}
    if len(codes) != 1:
        raise UsageError([Problem("--report and --taf", f"name different stations: {', '.join(sorted(codes))}")])
    station = placed(StationTable.load().get(codes.pop()), position)
    view = StationView(station, StationState(station.code))
    for item in decoded:
        envelope = Report(item, text_hash(item.raw), _FEED, now)
        view = replace(view, latest=envelope) if isinstance(item, Observation) else replace(view, forecast=envelope)
    return view


def hand_facts(report: str, position: str | None = None) -> Facts:
    """Return the facts of one report given by hand."""
    now = utc_now()
    observation = _decoded(report, "--report", now)
    if not isinstance(observation, Observation):
        raise UsageError([Problem("--report", "is a TAF", "give a METAR or SPECI")])
    station = placed(StationTable.load().get(observation.station), position)
    return observed_facts(observation, station=station, history=(), now=now)


def hand_now(report: str | None, taf: str | None, now: datetime) -> datetime:
    """Return the time to judge at: shortly after the report, or at the beginning of the TAF, for texts from any day."""
    for text in (report, taf):
        decoded = decode_report(text, received_at=_last_fitting(text, now)) if text else None
        if isinstance(decoded, Observation):
            return decoded.observed_at + timedelta(minutes=5)
        if isinstance(decoded, Forecast):
            return decoded.issued_at
    return now


def _decoded(text: str, option: str, now: datetime) -> Observation | Forecast:
    kind = "TAF" if option == "--taf" else None
    decoded = decode_report(text, received_at=_last_fitting(text, now), kind=kind)
    if isinstance(decoded, Unreadable):
        raise UsageError([Problem(option, f"cannot be read: {decoded.error}")])
    return decoded


def _last_fitting(text: str, now: datetime) -> datetime:
    """Return the newest time, up to two months ago, that the text's own day and time fit: it may be from any day."""
    match = _TIME.search(text)
    if match is None:
        return now
    day, hour, minute = (int(part) for part in match.groups())
    for days_ago in range(-1, 62):
        date = (now - timedelta(days=days_ago)).date()
        if date.day == day and hour < 24 and minute < 60:
            return datetime(date.year, date.month, date.day, hour, minute, tzinfo=UTC) + timedelta(minutes=5)
    return now


def placed(station: Station, position: str | None) -> Station:
    """Return a station at a position given by hand; None leaves it where it is.

    Raises
    ------
    UsageError
        The position is none, or lies off the Earth.
    """
    if position is None:
        return station
    try:
        latitude, longitude, elevation = (float(part) for part in position.split(","))
    except ValueError as error:
        remedy = "latitude,longitude,elevation in metres, such as 60.20,11.10,210"
        raise UsageError([Problem("--position", f'"{position}" is none', remedy)]) from error
    if not (abs(latitude) <= 90 and abs(longitude) <= 180 and -500 <= elevation <= 9000):
        allowed = "latitude -90 to 90, longitude -180 to 180, elevation -500 to 9000 m"
        raise UsageError([Problem("--position", f'"{position}" is no place of a station', allowed)])
    return replace(station, latitude_deg=latitude, longitude_deg=longitude, elevation_m=elevation)
