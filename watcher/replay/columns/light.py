"""Day and night for whole columns, by the series of `physics.sun`.

Where the sun stands so close to the limit that another order of additions could decide, the scalar formula does.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta

import numpy as np
import numpy.typing as npt
import polars as pl

from watcher.physics.sun import SUNRISE_ELEVATION_DEG, sun_elevation_deg
from watcher.reports.station import Station

Floats = npt.NDArray[np.float64]

_J2000 = datetime(2000, 1, 1, 12, tzinfo=UTC)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_CLOSE_DEG = 1e-6


def sun_elevation(station: pl.Series, observed_at: pl.Series, positions: Mapping[str, Station]) -> pl.Series:
    """Return the elevation of the sun in degrees for each station and time; null without a position."""
    latitude, longitude = _placed(station, positions)
    at = observed_at.dt.epoch("us").to_numpy()
    elevation = _elevation(latitude, longitude, at)
    for row in np.flatnonzero(np.abs(elevation - SUNRISE_ELEVATION_DEG) < _CLOSE_DEG):
        when = _EPOCH + timedelta(microseconds=int(at[row]))
        elevation[row] = sun_elevation_deg(float(latitude[row]), float(longitude[row]), when)
    return pl.Series(elevation).fill_nan(None)


def _placed(station: pl.Series, positions: Mapping[str, Station]) -> tuple[Floats, Floats]:
    """Return latitude and longitude of each row, not a number where one of them is not known."""
    runs = station.rle().struct.unnest()
    places = [positions.get(code) or Station(code) for code in runs["value"]]
    pairs = [(place.latitude_deg, place.longitude_deg) for place in places]
    known = [pair if None not in pair else (np.nan, np.nan) for pair in pairs]
    table = np.array(known, dtype=np.float64).reshape(-1, 2)
    repeated = np.repeat(table, runs["len"].to_numpy(), axis=0)
    return repeated[:, 0], repeated[:, 1]


def _elevation(latitude_deg: Floats, longitude_deg: Floats, at_us: npt.NDArray[np.int64]) -> Floats:
    """Return what `physics.sun.sun_elevation_deg` does, line by line the same."""
    days = (at_us - (_J2000 - _EPOCH) // timedelta(microseconds=1)) / 1e6 / 86400
    century = days / 36525
    mean_longitude = np.radians((280.46646 + 36000.76983 * century) % 360)
    anomaly = np.radians((357.52911 + 35999.05029 * century) % 360)
    centre = (
        (1.914602 - 0.004817 * century) * np.sin(anomaly)
        + 0.019993 * np.sin(2 * anomaly)
        + 0.000289 * np.sin(3 * anomaly)
    )
    node = np.radians(125.04 - 1934.136 * century)
    longitude = mean_longitude + np.radians(centre - 0.00569 - 0.00478 * np.sin(node))
    obliquity = np.radians(23.439291 - 0.0130042 * century + 0.00256 * np.cos(node))
    declination = np.arcsin(np.sin(obliquity) * np.sin(longitude))
    right_ascension = np.arctan2(np.cos(obliquity) * np.sin(longitude), np.cos(longitude))
    sidereal = np.radians((280.46061837 + 360.98564736629 * days) % 360)
    hour_angle = sidereal + np.radians(longitude_deg) - right_ascension
    latitude = np.radians(latitude_deg)
    sine = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(hour_angle)
    elevation: Floats = np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0)))
    return elevation
