"""Day and night for whole columns, by the arrays of `physics.shortwave`.

Where the sun stands so close to the limit that another order of additions could decide, the scalar formula does.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta

import numpy as np
import numpy.typing as npt
import polars as pl

from watcher.physics import shortwave
from watcher.physics.sun import SUNRISE_ELEVATION_DEG, sun_elevation_deg
from watcher.replay.columns.distinct import distinct_values, places_among
from watcher.reports.station import Station

Floats = npt.NDArray[np.float64]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_CLOSE_DEG = 1e-6


def sun_elevation(station: pl.Series, observed_at: pl.Series, positions: Mapping[str, Station]) -> pl.Series:
    """Return the elevation of the sun in degrees for each station and time; null without a position."""
    latitude, longitude = _placed(station, positions)
    at = observed_at.dt.epoch("us").to_numpy()
    times = distinct_values(at)
    place = places_among(times, at)
    declination, hour_angle = shortwave.sun_position(times.view("datetime64[us]"))
    elevation = shortwave.elevation_deg(latitude, longitude, declination[place], hour_angle[place])
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
