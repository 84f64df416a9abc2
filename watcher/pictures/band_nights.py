"""Where the sun is down at a station, from the elevation of the sun."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise

from watcher.physics.sun import SUNRISE_ELEVATION_DEG, sun_elevation_deg
from watcher.pictures.band_model import Span
from watcher.reports.station import Station

_HOUR = timedelta(hours=1)
# The sun moves by 15 degrees an hour at most: within one it cannot cross the horizon and come back from farther away.
_NEAR_DEG = 7.5


def night_spans(station: Station, begins_at: datetime, ends_at: datetime) -> tuple[Span, ...] | None:
    """Return the nights within a window, cut to it, within two minutes; None where the position is not known."""
    if station.latitude_deg is None or station.longitude_deg is None:
        return None
    spans: list[Span] = []
    elevations = _elevations(station, begins_at, ends_at)
    dark_since = begins_at if elevations[0][1] < 0 else None
    for (before_at, before), (at, above) in pairwise(elevations):
        if (above < 0) != (before < 0):
            crossed = before_at + (at - before_at) * (before / (before - above))
            if dark_since is not None:
                spans.append(Span(dark_since, crossed))
            dark_since = crossed if above < 0 else None
    if dark_since is not None:
        spans.append(Span(dark_since, ends_at))
    return tuple(spans)


def _elevations(station: Station, begins_at: datetime, ends_at: datetime) -> list[tuple[datetime, float]]:
    """Return how far above the horizon the sun is, each hour, and each half hour while it is near the horizon."""
    found = [(begins_at, _above_deg(station, begins_at))]
    while found[-1][0] < ends_at:
        before_at, before = found[-1]
        at = min(before_at + _HOUR, ends_at)
        above = _above_deg(station, at)
        if min(abs(before), abs(above)) < _NEAR_DEG or (before < 0) != (above < 0):
            middle = before_at + (at - before_at) / 2
            found.append((middle, _above_deg(station, middle)))
        found.append((at, above))
    return found


def _above_deg(station: Station, at: datetime) -> float:
    """Return how far the sun's upper limb is above the horizon."""
    assert station.latitude_deg is not None
    assert station.longitude_deg is not None
    return sun_elevation_deg(station.latitude_deg, station.longitude_deg, at) - SUNRISE_ELEVATION_DEG
