"""Temperature and dew point over the night for every member.

References
----------
.. [1] Share of a falling temperature that the dew point follows: 1 for a spread of 1 K, 0.75 for 3.5, 0.5 for 7 and
   none from 12 on; error 0.45 to 1.1 K x sqrt(hours), more once the TAF has a change of wind or precipitation. Measured
   on hourly reports of one winter at one station, alike on its odd and even months; no published source.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from watcher.outlook.night import temperature
from watcher.outlook.night.draws import Draws, Even, Noise, Normal
from watcher.outlook.night.grid import Grid
from watcher.outlook.night.plan import Plan
from watcher.outlook.night.sunlight import Sunlight
from watcher.outlook.night.wandering import Wandering
from watcher.physics.arrays import Array
from watcher.physics.vapour import dew_point_from_vapour_c, over_water_hpa

# A dew point that is not known: the relative humidity is this at least. Assumed.
_DRIEST = 0.6
# Share of the change of temperature that the dew point takes, and its error by sqrt(hour), over the spread.
_SPREAD_K = (1.0, 3.5, 7.0, 12.0)
_DEW_SHARE, _DEW_ERROR_K = (1.0, 0.75, 0.5, 0.0), (0.45, 0.7, 0.95, 1.1)
_UNSETTLED = 1.5
_USUAL_SPREAD_K = 3.5
# What an overcast keeps back of the night's loss, and of the morning's sun.
_CLOUD_KEEPS, _CLOUD_DIMS = 0.9, 0.75
# While it warms the dew point takes this share; common practice, no source.
_DEW_SHARE_RISING = 0.3


class WarmthPaths:
    """Temperature and dew point of a batch, step after step; `at` is called once for each step, in order.

    Parameters
    ----------
    plans, grid, draws, sunlight
        The questions, their times, their random numbers and their sun.
    unsettled_h
        From when on the TAF makes the dew point less sure, for each station.
    """

    def __init__(self, plans: Sequence[Plan], grid: Grid, draws: Draws, sunlight: Sunlight, unsettled_h: Array) -> None:
        self._hours, self._draws = grid.hours, draws
        self._age_h = np.maximum([-plan.start.hour for plan in plans], 0)
        self._knots = np.arange(draws.noise.shape[1])[:, None]
        self._set_way(plans, sunlight)
        self._set_temperature(plans)
        self._set_dew_point(plans)
        self._follow_dew_point(plans, unsettled_h)

    def at(self, index: int, cloud: Array) -> tuple[Array, Array]:
        """Return temperature and dew point at a step, in °C, from the cloud factor of that step."""
        hour = float(self._hours[index])
        if self._fall[index].any():
            self._fall_by(self._fall[index][:, None], cloud)
        if self._rise[index].any():
            warmer = self._rise[index][:, None] * (1 - np.float32(_CLOUD_DIMS) * cloud)
            self._change += warmer
            self._dew_change += np.float32(_DEW_SHARE_RISING) * warmer
        temp = self._temp_offset * self._kept[index][:, None]
        temp += self._base[index][:, None]
        temp += self._change
        dew = self._dew_0 + self._dew_base[index][:, None]
        dew += self._dew_change
        error = self._temp_error.at(hour)
        if error is not None:
            temp += error
            dew += self._share * error
        error = self._dew_error.at(hour)
        if error is not None:
            dew += error
        return temp, np.minimum(dew, temp, out=dew)

    def _fall_by(self, weight: Array, cloud: Array) -> None:
        colder = weight * self._loss_k * (np.float32(_CLOUD_KEEPS) * cloud - 1)
        self._change += colder
        self._dew_change += self._share * colder

    def _set_way(self, plans: Sequence[Plan], sunlight: Sunlight) -> None:
        """Set what is given of the temperature, and where it falls and rises by itself."""
        paths = [
            temperature.path_of(self._hours, plan.start, plan.past, plan.given, sunlight.dark_of(row))
            for row, plan in enumerate(plans)
        ]
        self._base = np.stack([path.base_c for path in paths], axis=1).astype(np.float32)
        self._kept = np.stack([path.kept for path in paths], axis=1).astype(np.float32)
        free = np.stack([path.free for path in paths], axis=1)
        balance = temperature.heat_balance(self._hours, sunlight.elevation_deg, sunlight.dark_before_h)
        self._fall = np.where(free, balance.fall, 0).astype(np.float32)
        self._rise = np.where(free, balance.rise, 0).astype(np.float32)

    def _set_temperature(self, plans: Sequence[Plan]) -> None:
        """Set every member's own temperature at the report, and its error."""
        draws = self._draws
        low, high = (column([plan.beginning.temp[end] for plan in plans]) for end in (0, 1))
        self._temp_offset = (draws.even[Even.TEMP] - np.float32(0.5)) * (high - low)
        self._temp_0 = self._temp_offset + (low + high) / 2
        self._change = np.zeros_like(self._temp_0)
        last = np.array([max((anchor.hour for anchor in plan.given), default=-1.0) for plan in plans])
        sure = (self._knots <= last) & ~np.array([plan.beginning.stale for plan in plans])
        rate = np.where(sure, temperature.WITH_MINIMUM_K, temperature.WITHOUT_MINIMUM_K)
        self._temp_error = Wandering(rate, self._age_h, draws.normal[Normal.TEMP], draws.noise[Noise.TEMP])

    def _set_dew_point(self, plans: Sequence[Plan]) -> None:
        """Set every member's own dew point at the report, and how fast it would cool under a clear sky."""
        draws, temp = self._draws, self._temp_0
        unknown = [plan.beginning.dew is None for plan in plans]
        ranges = [plan.beginning.dew or (0.0, 0.0) for plan in plans]
        low, high = (column([values[end] for values in ranges]) for end in (0, 1))
        dew = low + draws.even[Even.DEW] * (high - low)
        if any(unknown):
            humidity = np.float32(_DRIEST) + draws.even[Even.DEW] * np.float32(1 - _DRIEST)
            dew = np.where(column(unknown), dew_point_from_vapour_c(humidity * over_water_hpa(temp)), dew)
        self._dew_0 = np.minimum(dew, temp)
        rate = np.exp(np.float32(temperature.FALL_SPREAD) * draws.normal[Normal.FALL])
        rate *= np.float32(temperature.FALL_MEDIAN)
        self._loss_k = rate * temperature.night_loss_w_m2(temp, over_water_hpa(self._dew_0))

    def _follow_dew_point(self, plans: Sequence[Plan], unsettled_h: Array) -> None:
        """Set how the dew point follows the temperature, and its error."""
        spread = [
            _USUAL_SPREAD_K
            if plan.beginning.dew is None
            else sum(plan.beginning.temp) / 2 - sum(plan.beginning.dew) / 2
            for plan in plans
        ]
        self._share = column(np.interp(spread, _SPREAD_K, _DEW_SHARE))
        step = np.diff(self._base, axis=0, prepend=self._base[:1])
        moved = np.cumsum(step * self._part(step), axis=0)
        self._dew_base = (moved - self._moved_before(plans, moved)).astype(np.float32)
        self._dew_change = np.zeros_like(self._temp_0)
        rate = np.interp(spread, _SPREAD_K, _DEW_ERROR_K) * np.where(self._knots >= unsettled_h, _UNSETTLED, 1.0)
        self._dew_error = Wandering(rate, self._age_h, self._draws.normal[Normal.DEW], self._draws.noise[Noise.DEW])

    def _part(self, change_k: Array) -> Array:
        return np.where(change_k < 0, self._share[:, 0], np.float32(_DEW_SHARE_RISING))

    def _moved_before(self, plans: Sequence[Plan], moved: Array) -> Array:
        """Return how far the dew point had moved when the report was made, from the step before it on."""
        starts, temps = np.array([(plan.start.hour, plan.start.temp_c) for plan in plans]).T
        index = np.clip(np.searchsorted(self._hours, starts, side="right") - 1, 0, None)
        columns = np.arange(len(plans))
        change = np.where(starts > self._hours[index], temps - self._base[index, columns], 0)
        return np.asarray(moved[index, columns] + change * self._part(change))


def column(values: Sequence[float] | Array) -> Array:
    """Return one value for each station as a column beside the members."""
    return np.asarray(values, dtype=np.float32)[:, None]
