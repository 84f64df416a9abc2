"""The air over the night for every member: temperature, humidity, wind, cloud and what falls.

References
----------
.. [1] Share of a falling temperature that the dew point follows: 1 for a spread of 1 K, 0.75 for 3.5, 0.5 for 7 and
   none from 12 on; error 0.45 to 1.1 K x sqrt(hours), more once the TAF has a change of wind or precipitation. Measured
   on hourly reports of one winter at one station, alike on its odd and even months; no published source.
.. [2] Wind and cloud of a TAF: error 1.2 m/s and 0.2 of the cloud factor; the report counts for about 2 hours.
   Wind that is not known: lognormal about 2.5 m/s, 0.8. Assumed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from watcher.outlook.night import temperature
from watcher.outlook.night.draws import Draws, Even, Noise, Normal
from watcher.outlook.night.grid import Grid
from watcher.outlook.night.plan import Plan
from watcher.outlook.night.sky import UNSEEN_MOST, UNSEEN_SHARE
from watcher.outlook.night.states import Here, States, states_of
from watcher.outlook.night.sunlight import Sunlight
from watcher.outlook.night.wandering import Wandering
from watcher.physics.arrays import Array
from watcher.physics.longwave import downwelling_w_m2
from watcher.physics.shortwave import cloud_transmission
from watcher.physics.transfer import KELVIN, pressure_hpa
from watcher.physics.vapour import dew_point_from_vapour_c, frost_point_c, over_water_hpa

Mask = npt.NDArray[np.bool_]

_WIND_ERROR_MS, _CLOUD_ERROR = 1.2, 0.2
_PRIOR_WIND_MS, _PRIOR_WIND_SPREAD = 2.5, 0.8
_LONGWAVE_CLEAR_W_M2, _LONGWAVE_CLOUD_W_M2 = 9.0, 18.0
_DRIEST = 0.6
# Share of the change of temperature that the dew point takes, and its error by sqrt(hour), over the spread.
_SPREAD_K = (1.0, 3.5, 7.0, 12.0)
_DEW_SHARE, _DEW_ERROR_K = (1.0, 0.75, 0.5, 0.0), (0.45, 0.7, 0.95, 1.1)
_UNSETTLED = 1.5
# While it warms the dew point takes this share; common practice, no source.
_DEW_SHARE_RISING = 0.3
# Snow on the ground cools the lower skin by 1 to 2 K, as much as this from the sky; memory.
_SNOW_COLD_W_M2 = -5.0
_STANDARD_HPA = 1013.25
# Above this air temperature falling snow is water on the skin. [°C] Common practice, no source.
_SETTLES_UP_TO_C = 1.0


@dataclass(frozen=True, slots=True)
class Air:
    """The air at one time: stations x members.

    `frost_point_c` is that of the vapour, the dew point above 0 °C. `fog`: where the wing is in fog; `settles`: where
    snow or freezing precipitation stays on the wing; `wets`: where rain or melting snow wets it; None: nowhere.
    """

    temp_c: Array
    vapour_hpa: Array
    frost_point_c: Array
    wind_ms: Array
    longwave_w_m2: Array
    shortwave_w_m2: Array
    fog: Mask | None
    settles: Mask | None
    wets: Mask | None


class AirPaths:
    """The air of a batch, step after step; `at` is called once for each step, in order.

    Parameters
    ----------
    plans
        The questions.
    grid
        Their common times.
    draws
        Their random numbers.
    sunlight
        The sun over the grid.
    """

    def __init__(self, plans: Sequence[Plan], grid: Grid, draws: Draws, sunlight: Sunlight) -> None:
        self._grid, self._draws = grid, draws
        self._states: States = states_of(plans, grid)
        self._clear_sun = sunlight.clear_w_m2
        self.pressure_hpa = _pressures(plans)
        self._extra_w_m2 = _column([_SNOW_COLD_W_M2 if p.beginning.snow_on_ground else 0.0 for p in plans])
        self._set_temperature(plans, sunlight)
        self._set_dew_point(plans)
        self._prior_wind = np.float32(_PRIOR_WIND_MS) * np.exp(
            np.float32(_PRIOR_WIND_SPREAD) * draws.normal[Normal.WIND]
        )
        self._unseen = np.where(
            draws.even[Even.UNSEEN] < UNSEEN_SHARE, draws.even[Even.UNSEEN_AMOUNT] * np.float32(UNSEEN_MOST), 0
        ).astype(np.float32)
        observed = self._states.observed
        self._observed_wind = self._wind_of(observed.wind_low_ms, observed.wind_high_ms)
        self._observed_cloud = self._cloud_of(observed.cloud_low, observed.cloud_high, observed.unseen)

    def _set_temperature(self, plans: Sequence[Plan], sunlight: Sunlight) -> None:
        hours, draws = self._grid.hours, self._draws
        paths = [
            temperature.path_of(hours, p.start, p.past, p.given, sunlight.dark_of(row)) for row, p in enumerate(plans)
        ]
        self._base = np.stack([path.base_c for path in paths], axis=1).astype(np.float32)
        self._kept = np.stack([path.kept for path in paths], axis=1).astype(np.float32)
        free = np.stack([path.free for path in paths], axis=1)
        balance = temperature.heat_balance(hours, sunlight.elevation_deg, sunlight.dark_before_h)
        self._fall = np.where(free, balance.fall, 0).astype(np.float32)
        self._rise = np.where(free, balance.rise, 0).astype(np.float32)
        low, high = (_column([p.beginning.temp[end] for p in plans]) for end in (0, 1))
        self._temp_offset = (draws.even[Even.TEMP] - np.float32(0.5)) * (high - low)
        self._temp_0 = self._temp_offset + (low + high) / 2
        self._change = np.zeros_like(self._temp_0)
        self._loss: Array | None = None
        self._rate = np.float32(temperature.FALL_MEDIAN) * np.exp(
            np.float32(temperature.FALL_SPREAD) * draws.normal[Normal.FALL]
        )
        age = np.maximum([-p.start.hour for p in plans], 0)
        last = np.array([max((g.hour for g in p.given), default=-1.0) for p in plans])
        knots = np.arange(draws.noise.shape[1])[:, None]
        error = np.where(
            (knots <= last) & ~np.array([p.beginning.stale for p in plans]),
            temperature.WITH_MINIMUM_K,
            temperature.WITHOUT_MINIMUM_K,
        )
        self._temp_error = Wandering(error, age, draws.normal[Normal.TEMP], draws.noise[Noise.TEMP])

    def _set_dew_point(self, plans: Sequence[Plan]) -> None:
        draws, temp = self._draws, self._temp_0
        unknown = [p.beginning.dew is None for p in plans]
        ranges = [p.beginning.dew or (0.0, 0.0) for p in plans]
        low, high = (_column([r[end] for r in ranges]) for end in (0, 1))
        dew = low + draws.even[Even.DEW] * (high - low)
        if any(unknown):
            humidity = np.float32(_DRIEST) + draws.even[Even.DEW] * np.float32(1 - _DRIEST)
            dew = np.where(_column(unknown), dew_point_from_vapour_c(humidity * over_water_hpa(temp)), dew)
        self._dew_0 = np.minimum(dew, temp).astype(np.float32)
        spread = np.array(
            [
                _SPREAD_K[1] if p.beginning.dew is None else sum(p.beginning.temp) / 2 - sum(p.beginning.dew) / 2
                for p in plans
            ]
        )
        self._share = _column(np.interp(spread, _SPREAD_K, _DEW_SHARE))
        step = np.diff(self._base, axis=0, prepend=self._base[:1])
        part = np.where(step < 0, self._share[:, 0], np.float32(_DEW_SHARE_RISING))
        moved = np.cumsum(step * part, axis=0)
        self._dew_base = (moved - self._moved_before(plans, moved)).astype(np.float32)
        self._dew_change = np.zeros_like(temp)
        knots = np.arange(draws.noise.shape[1])[:, None]
        error = np.interp(spread, _SPREAD_K, _DEW_ERROR_K) * np.where(
            knots >= self._states.unsettled_h, _UNSETTLED, 1.0
        )
        age = np.maximum([-p.start.hour for p in plans], 0)
        self._dew_error = Wandering(error, age, draws.normal[Normal.DEW], draws.noise[Noise.DEW])

    def _moved_before(self, plans: Sequence[Plan], moved: Array) -> Array:
        """Return how far the dew point had moved when the report was made, from the step before it on."""
        starts, temps = np.array([p.start.hour for p in plans]), np.array([p.start.temp_c for p in plans])
        index = np.clip(np.searchsorted(self._grid.hours, starts, side="right") - 1, 0, None)
        columns = np.arange(len(plans))
        step = np.where(starts > self._grid.hours[index], temps - self._base[index, columns], 0)
        return np.asarray(moved[index, columns] + step * np.where(step < 0, self._share[:, 0], _DEW_SHARE_RISING))

    def _wind_of(self, low: Array, high: Array) -> Array:
        wind = low + self._draws.even[Even.WIND] * (high - low)
        return np.asarray(np.where(np.isnan(wind), self._prior_wind, wind))

    def _cloud_of(self, low: Array, high: Array, unseen: Array) -> Array:
        return np.asarray(low + self._draws.even[Even.CLOUD] * (high - low) + unseen * self._unseen)

    def at(self, index: int) -> Air:
        """Return the air at a step of the grid."""
        hour = float(self._grid.hours[index])
        here = self._states.at(index, self._draws)
        cloud = self._cloud(index, hour, here)
        temp, dew = self._temperature_and_dew_point(index, hour, cloud)
        if here.fog is not None:
            np.copyto(dew, temp, where=here.fog)
        vapour = over_water_hpa(dew)
        longwave = downwelling_w_m2(temp + np.float32(KELVIN), vapour, cloud)
        spread = np.float32(_LONGWAVE_CLOUD_W_M2 - _LONGWAVE_CLEAR_W_M2) * cloud + np.float32(_LONGWAVE_CLEAR_W_M2)
        longwave += spread * self._draws.normal[Normal.LONGWAVE]
        longwave += self._extra_w_m2
        settles, wets = _precipitation(here, temp)
        return Air(
            temp_c=temp,
            vapour_hpa=vapour,
            frost_point_c=frost_point_c(dew),
            wind_ms=self._wind(index, hour, here),
            longwave_w_m2=longwave,
            shortwave_w_m2=self._sun(index, cloud),
            fog=here.fog,
            settles=settles,
            wets=wets,
        )

    def _cloud(self, index: int, hour: float, here: Here) -> Array:
        weight = self._states.sky_weight[index][:, None]
        cloud = self._cloud_of(here.cloud_low, here.cloud_high, here.unseen)
        cloud += weight * (self._observed_cloud - cloud)
        error = np.sqrt((weight * self._states.observed.cloud_sd) ** 2 + (1 - weight**2) * np.float32(_CLOUD_ERROR**2))
        cloud += error * self._draws.at(Noise.CLOUD, hour)
        return np.clip(cloud, 0, 1, out=cloud)

    def _wind(self, index: int, hour: float, here: Here) -> Array:
        weight = self._states.wind_weight[index][:, None]
        wind = self._wind_of(here.wind_low_ms, here.wind_high_ms)
        wind += weight * (self._observed_wind - wind)
        wind += np.float32(_WIND_ERROR_MS) * np.sqrt(1 - weight**2) * self._draws.at(Noise.WIND, hour)
        return np.maximum(wind, 0, out=wind)

    def _temperature_and_dew_point(self, index: int, hour: float, cloud: Array) -> tuple[Array, Array]:
        if self._fall[index].any():
            self._fall_by(self._fall[index][:, None], cloud)
        if self._rise[index].any():
            warmer = self._rise[index][:, None] * (1 - np.float32(0.75) * cloud)
            self._change += warmer
            self._dew_change += np.float32(_DEW_SHARE_RISING) * warmer
        error = self._temp_error.at(hour)
        temp = self._temp_offset * self._kept[index][:, None]
        temp += self._base[index][:, None]
        temp += self._change
        dew = self._dew_0 + self._dew_base[index][:, None]
        dew += self._dew_change
        if error is not None:
            temp += error
            dew += self._share * error
            dew += self._dew_error.at(hour)
        return temp, np.minimum(dew, temp, out=dew)

    def _fall_by(self, weight: Array, cloud: Array) -> None:
        if self._loss is None:
            self._loss = self._rate * temperature.night_loss_w_m2(self._temp_0, over_water_hpa(self._dew_0))
        colder = weight * self._loss * (np.float32(0.9) * cloud - 1)
        self._change += colder
        self._dew_change += self._share * colder

    def _sun(self, index: int, cloud: Array) -> Array:
        clear = self._clear_sun[index]
        if not clear.any():
            return np.zeros((len(clear), 1), dtype=np.float32)
        return np.asarray(clear[:, None] * cloud_transmission(cloud))


def _precipitation(here: Here, temp_c: Array) -> tuple[Mask | None, Mask | None]:
    """Return where what falls stays as ice and where it is water; freezing rain is taken as snow is."""
    icy = [mask for mask in (here.snow, here.freezing) if mask is not None]
    if not icy:
        return None, here.liquid
    falls, cold = icy[0] if len(icy) == 1 else icy[0] | icy[1], temp_c <= _SETTLES_UP_TO_C
    melts = falls & ~cold
    return falls & cold, melts if here.liquid is None else melts | here.liquid


def _column(values: Sequence[float] | Array) -> Array:
    return np.asarray(values, dtype=np.float32)[:, None]


def _pressures(plans: Sequence[Plan]) -> Array:
    elevation = np.array([p.question.station.elevation_m or 0.0 for p in plans])
    qnh = np.array([p.beginning.pressure_hpa or _STANDARD_HPA for p in plans])
    return pressure_hpa(elevation, qnh).astype(np.float32)[:, None]
