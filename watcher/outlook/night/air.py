"""The air over the night for every member: temperature, humidity, wind, cloud and what falls.

References
----------
.. [1] Wind and cloud of a TAF: error 1.2 m/s and 0.2 of the cloud factor; the report counts for about 2 hours.
   Wind that is not known: lognormal about 2.5 m/s, 0.8. Assumed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from watcher.outlook.night.draws import Draws, Even, Noise, Normal
from watcher.outlook.night.grid import Grid
from watcher.outlook.night.plan import Plan
from watcher.outlook.night.sky import UNSEEN_MOST, UNSEEN_SHARE
from watcher.outlook.night.states import Here, States, states_of
from watcher.outlook.night.sunlight import Sunlight
from watcher.outlook.night.warmth import WarmthPaths, column
from watcher.physics.arrays import Array
from watcher.physics.longwave import downwelling_w_m2
from watcher.physics.shortwave import cloud_transmission
from watcher.physics.surface import Forcing
from watcher.physics.transfer import KELVIN, pressure_hpa
from watcher.physics.vapour import frost_point_c, over_water_hpa

Mask = npt.NDArray[np.bool_]

_WIND_ERROR_MS, _CLOUD_ERROR = 1.2, 0.2
_PRIOR_WIND_MS, _PRIOR_WIND_SPREAD = 2.5, 0.8
_LONGWAVE_CLEAR_W_M2, _LONGWAVE_CLOUD_W_M2 = 9.0, 18.0
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

    def forcing(self, pressure_hpa: Array) -> Forcing:
        """Return what acts on a wing's skin in this air; `pressure_hpa`: of each station."""
        return Forcing(
            air_c=self.temp_c,
            vapour_hpa=self.vapour_hpa,
            wind_ms=self.wind_ms,
            longwave_w_m2=self.longwave_w_m2,
            shortwave_w_m2=self.shortwave_w_m2,
            pressure_hpa=pressure_hpa,
        )


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
        self._extra_w_m2 = column([_SNOW_COLD_W_M2 if p.beginning.snow_on_ground else 0.0 for p in plans])
        self._warmth = WarmthPaths(plans, grid, draws, sunlight, self._states.unsettled_h)
        self._prior_wind = np.float32(_PRIOR_WIND_MS) * np.exp(
            np.float32(_PRIOR_WIND_SPREAD) * draws.normal[Normal.WIND]
        )
        self._unseen = np.where(
            draws.even[Even.UNSEEN] < UNSEEN_SHARE, draws.even[Even.UNSEEN_AMOUNT] * np.float32(UNSEEN_MOST), 0
        ).astype(np.float32)
        observed = self._states.observed
        self._observed_wind = self._wind_of(observed.wind_low_ms, observed.wind_high_ms)
        self._observed_cloud = self._cloud_of(observed.cloud_low, observed.cloud_high, observed.unseen)

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
        temp, dew = self._warmth.at(index, cloud)
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


def _pressures(plans: Sequence[Plan]) -> Array:
    elevation = np.array([p.question.station.elevation_m or 0.0 for p in plans])
    qnh = np.array([p.beginning.pressure_hpa or _STANDARD_HPA for p in plans])
    return pressure_hpa(elevation, qnh).astype(np.float32)[:, None]
