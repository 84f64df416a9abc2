"""The sun over a batch: its elevation, its light under a clear sky, and since when it has been dark."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import numpy.typing as npt

from watcher.outlook.night.grid import Grid
from watcher.outlook.night.temperature import SUNSET_DEG
from watcher.physics.arrays import Array
from watcher.physics.shortwave import clear_sky_global_w_m2, sun_elevation_deg
from watcher.reports.station import Station

_HOURS_BEFORE = np.arange(-24.0, 0.25, 0.25)


@dataclass(frozen=True, slots=True)
class Sunlight:
    """The sun at each step.

    Attributes
    ----------
    elevation_deg
        Steps x stations; NaN where the place is not known.
    clear_w_m2
        Light on a level surface under a clear sky; 0 where the place is not known.
    dark_before_h
        Hours of darkness before the grid begins; infinite when there was no light for a day.
    """

    elevation_deg: Array
    clear_w_m2: Array
    dark_before_h: Array

    def dark_of(self, row: int) -> npt.NDArray[np.bool_] | None:
        """Return whether the sun is down at each step for one station; None where its place is not known."""
        elevation = self.elevation_deg[:, row]
        return None if np.isnan(elevation[0]) else elevation < SUNSET_DEG


def sunlight_of(stations: Sequence[Station], begins_at: Sequence[datetime], grid: Grid) -> Sunlight:
    """Return the sun over the grid.

    Parameters
    ----------
    stations
        Where.
    begins_at
        Hour 0 of the grid for each of them.
    grid
        The steps.
    """
    latitude = np.array([np.nan if s.latitude_deg is None else s.latitude_deg for s in stations])
    longitude = np.array([np.nan if s.longitude_deg is None else s.longitude_deg for s in stations])
    starts = np.array([when.astimezone(UTC).replace(tzinfo=None) for when in begins_at], dtype="datetime64[us]")
    elevation = _elevation(latitude, longitude, starts, grid.hours)
    before = _elevation(latitude, longitude, starts, _HOURS_BEFORE + grid.hours[0])
    return Sunlight(
        elevation_deg=elevation,
        clear_w_m2=np.nan_to_num(clear_sky_global_w_m2(elevation)).astype(np.float32),
        dark_before_h=_dark_before(before),
    )


def _elevation(latitude: Array, longitude: Array, starts: npt.NDArray[np.datetime64], hours: Array) -> Array:
    offsets = (hours * 3.6e9).round().astype("timedelta64[us]")
    return sun_elevation_deg(latitude, longitude, starts + offsets[:, None])


def _dark_before(elevation_deg: Array) -> Array:
    light = elevation_deg >= SUNSET_DEG
    # Steps from the end back to the last light.
    since = light[::-1].argmax(axis=0) * (_HOURS_BEFORE[1] - _HOURS_BEFORE[0])
    return np.where(light.any(axis=0), since, np.where(np.isnan(elevation_deg[0]), 1.0, np.inf))
