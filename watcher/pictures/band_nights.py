"""Where the sun is down at a station, from the elevation of the sun."""

from __future__ import annotations

from datetime import datetime, timedelta

from watcher.physics.sun import SUNRISE_ELEVATION_DEG, sun_elevation_deg
from watcher.pictures.band_model import Span
from watcher.reports.station import Station

_STEP = timedelta(minutes=30)


def night_spans(station: Station, begins_at: datetime, ends_at: datetime) -> tuple[Span, ...] | None:
    """Return the nights within a window, cut to it, within two minutes; None where the position is not known."""
    if station.latitude_deg is None or station.longitude_deg is None:
        return None
    spans: list[Span] = []
    before_at, before = begins_at, _above_deg(station, begins_at)
    dark_since = begins_at if before < 0 else None
    while before_at < ends_at:
        at = min(before_at + _STEP, ends_at)
        above = _above_deg(station, at)
        if (above < 0) != (before < 0):
            crossed = before_at + (at - before_at) * (before / (before - above))
            if dark_since is not None:
                spans.append(Span(dark_since, crossed))
            dark_since = crossed if above < 0 else None
        before_at, before = at, above
    if dark_since is not None:
        spans.append(Span(dark_since, ends_at))
    return tuple(spans)


def _above_deg(station: Station, at: datetime) -> float:
    """Return how far the sun's upper limb is above the horizon."""
    assert station.latitude_deg is not None
    assert station.longitude_deg is not None
    return sun_elevation_deg(station.latitude_deg, station.longitude_deg, at) - SUNRISE_ELEVATION_DEG
