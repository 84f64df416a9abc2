"""Wings and weather for the tests of the surface."""

from __future__ import annotations

import numpy as np

from watcher.physics.longwave import downwelling_w_m2
from watcher.physics.surface import DRY_BAY, Forcing, Part, Surface, Uncertain, advance
from watcher.physics.vapour import over_water_hpa


def weather(air_c, dew_point_c, wind_ms=1.0, cloud=0.0, sunlight=0.0, pressure_hpa=1013.25) -> Forcing:
    vapour = over_water_hpa(dew_point_c)
    sky = downwelling_w_m2(np.asarray(air_c) + 273.15, vapour, cloud)
    return Forcing(air_c, vapour, wind_ms, sky, sunlight, pressure_hpa)


def wing(skin_c, deposit_kg_m2=0.0, film_kg_m2=0.0, fuel_c=None) -> Surface:
    skin = np.atleast_1d(np.asarray(skin_c, dtype=float))
    fuel = None if fuel_c is None else np.full(skin.shape, float(fuel_c))
    return Surface(skin, np.full(skin.shape, deposit_kg_m2), np.full(skin.shape, film_kg_m2), fuel)


def after(
    surface: Surface, forcing: Forcing, hours: float, part: Part = DRY_BAY, dt_s: float = 600.0, **unsure
) -> Surface:
    for _ in range(round(hours * 3600 / dt_s)):
        surface = advance(surface, forcing, part, dt_s, Uncertain(**unsure))
    return surface
