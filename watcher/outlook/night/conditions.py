"""One state of wind, sky and weather, from a report or from a line of a TAF.

References
----------
.. [1] WMO-No. 306, FM 15 and FM 51: 00000KT is calm, VRB a light wind without direction or a squally one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

from watcher.outlook.night.sky import FOG_SKY, UNKNOWN_SKY, Sky, sky_of
from watcher.reports.model import Observation, Period
from watcher.reports.weather import WeatherGroup, parse_weather
from watcher.units import KNOTS_PER_METRE_PER_SECOND

# A cup does not turn below about this wind: calm is anything up to it.
CALM_MS = 0.9
_ROUNDING_KT = 0.5
_LIGHT_KT = 3.0
_FOG_BELOW_M = 1000.0
_PATCHES = 0.5


@dataclass(frozen=True, slots=True)
class Weather:
    """What falls and hangs in the air.

    `fog`: share of the time in fog at the wing (patches half); `dark`: the sky is closed by fog or by the least
    visibility; `liquid`: rain or drizzle; `snow`: frozen precipitation, also mixed with rain or of unknown kind;
    `freezing`: freezing rain or drizzle.
    """

    fog: float = 0.0
    dark: bool = False
    liquid: bool = False
    snow: bool = False
    freezing: bool = False

    @property
    def falls(self) -> bool:
        """Whether anything falls."""
        return self.liquid or self.snow or self.freezing


DRY = Weather()


@dataclass(frozen=True, slots=True)
class Condition:
    """Wind from `wind_low_ms` to `wind_high_ms` (None: not known), sky and weather."""

    wind_low_ms: float | None
    wind_high_ms: float | None
    sky: Sky
    weather: Weather


NOTHING_KNOWN = Condition(None, None, UNKNOWN_SKY, DRY)


def observed_condition(observation: Observation) -> Condition:
    """Return the state that a report gives."""
    weather = weather_of(observation.weather, observation.visibility_m)
    sky = sky_of(observation.clouds, observation.vertical_visibility_ft, cavok=observation.cavok)
    low, high = _observed_wind(observation)
    return Condition(low, high, _closed(sky, weather), weather)


def forecast_condition(period: Period) -> Condition:
    """Return the state that a line of a TAF gives, with what it took over from the line before."""
    weather = weather_of(period.weather or (), period.visibility_m)
    sky = sky_of(period.clouds, period.vertical_visibility_ft, cavok=period.cavok)
    wind = None if period.wind_kt is None else period.wind_kt / KNOTS_PER_METRE_PER_SECOND
    return Condition(wind, wind, _closed(sky, weather), weather)


@lru_cache(maxsize=8192)
def weather_of(texts: tuple[str, ...], visibility_m: float | None) -> Weather:
    """Return what weather groups and visibility mean for a wing; the vicinity and what blows along the ground do not.

    Parameters
    ----------
    texts
        Weather groups.
    visibility_m
        In metres, None when unknown.
    """
    groups = [group for text in texts if (group := parse_weather(text)) is not None and not group.vicinity]
    fog = max((_fog(group) for group in groups), default=0.0)
    falls = any(group.falls for group in groups)
    thick = visibility_m is not None and visibility_m < _FOG_BELOW_M and not falls
    return Weather(
        fog=fog,
        dark=fog == 1.0 or thick,
        liquid=any(group.is_liquid_precipitation for group in groups),
        snow=any(group.is_frozen_precipitation or (group.falls and "UP" in group.phenomena) for group in groups),
        freezing=any(group.is_freezing_precipitation for group in groups),
    )


def _fog(group: WeatherGroup) -> float:
    if "FG" not in group.phenomena or "MI" in group.descriptors:
        return 0.0
    return _PATCHES if not group.descriptors.isdisjoint({"BC", "PR"}) else 1.0


def _closed(sky: Sky, weather: Weather) -> Sky:
    if weather.dark:
        return FOG_SKY
    if weather.fog:
        return replace(sky, high=max(sky.high, FOG_SKY.high))
    return sky


def _observed_wind(observation: Observation) -> tuple[float | None, float | None]:
    wind = observation.wind_kt
    if wind is None:
        return None, None
    low = max(0.0, wind - _ROUNDING_KT) / KNOTS_PER_METRE_PER_SECOND
    high = (wind + _ROUNDING_KT) / KNOTS_PER_METRE_PER_SECOND
    if wind == 0:
        return 0.0, CALM_MS
    if observation.wind_variable and wind <= _LIGHT_KT:
        return 0.0, max(CALM_MS, high)
    return low, high
