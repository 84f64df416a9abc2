"""Frost on measured surfaces: probability from what a report would say, against the coldest infrared surface of the day.

Event: the day's infrared surface minimum at or below 0 °C and at or below the frost point. What the model is given: the
day's least temperature and its dew point (from the day's highest humidity) in whole degrees, and how sunny the day was,
as a sign of cloud; neither wind nor night cloud. The surface is natural ground or snow, judged with the parameters of a
wing; the spread of wind (median 2.5 m/s) and of what the balance leaves out (1.8 K) stand for what is not known here.

The rule it is held against is the usual one: temperature and spread both 3 or less.

python -m tests.checks.frost_days FILE

Columns: lst_date, latitude, t_daily_min, sur_temp_daily_min, rh_daily_max, solarad_daily (MJ/m2). Rows: latitude 25 to
65, least temperature -15 to 8, sun above the atmosphere more than 4 MJ/m2 [1]_, clearness 0 to 0.9, surface minus air -15
to 10 K. Prints JSON.

References
----------
.. [1] R. G. Allen, L. S. Pereira, D. Raes, M. Smith, Crop evapotranspiration, FAO Irrigation and Drainage Paper 56,
   1998, equations 21 to 25: daily radiation above the atmosphere.
"""

from __future__ import annotations

import json
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tests.checks.table import Column, Table, asked
from watcher.physics.longwave import downwelling_w_m2
from watcher.physics.surface import DRY_BAY, Forcing, Surface, Uncertain, exchange, step
from watcher.physics.transfer import KELVIN
from watcher.physics.vapour import dew_point_from_vapour_c, frost_point_c, over_water_hpa

MEMBERS, SEED, ROWS_AT_ONCE = 200, 2020, 500
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Days:
    """What a report would say of each day, and whether there was frost."""

    temp_c: Column
    dew_point_c: Column
    clearness: Column
    frost: Flags


def main() -> None:
    table, _ = asked("tests.checks.frost_days")
    print(json.dumps(check(table)))


def check(table: Table) -> dict[str, object]:
    days = _days(table)
    frost = days.frost.astype(float)
    model = np.concatenate(
        [
            _probability(days, np.arange(first, min(first + ROWS_AT_ONCE, len(frost))))
            for first in range(0, len(frost), ROWS_AT_ONCE)
        ]
    )
    rule = (days.temp_c <= 3) & (days.temp_c - days.dew_point_c <= 3)
    calibrated = np.where(rule, frost[rule].mean(), frost[~rule].mean())
    brier_rule = _brier(rule.astype(float), frost)
    said = model >= 0.5
    return {
        "rows": len(frost),
        "brier_model": round(_brier(model, frost), 4),
        "brier_rule": round(brier_rule, 4),
        "brier_rule_calibrated": round(_brier(calibrated, frost), 4),
        "brier_climatology": round(_brier(np.full(len(frost), frost.mean()), frost), 4),
        "skill_vs_rule": round(1 - _brier(model, frost) / brier_rule, 3),
        "reliability": _reliability(model, frost),
        "pod": round(float(frost[said].sum() / frost.sum()), 3),
        "far": round(float(1 - frost[said].mean()), 3),
    }


def _brier(probability: Column, frost: Column) -> float:
    return float(np.mean((probability - frost) ** 2))


def _reliability(probability: Column, frost: Column) -> list[tuple[float, float, int]]:
    tenth = np.minimum((probability * 10).astype(int), 9)
    return [
        (round(float(probability[rows].mean()), 3), round(float(frost[rows].mean()), 3), int(rows.sum()))
        for rows in (tenth == number for number in range(10))
        if rows.any()
    ]


def _days(table: Table) -> Days:
    air, surface = table.numbers("t_daily_min"), table.numbers("sur_temp_daily_min")
    humidity, latitude = table.numbers("rh_daily_max"), table.numbers("latitude")
    above = _above_atmosphere_mj_m2(latitude, table.texts("lst_date").astype("datetime64[D]"))
    clearness = table.numbers("solarad_daily") / np.where(above > 4, above, np.nan)
    rows = (np.abs(latitude) >= 25) & (np.abs(latitude) <= 65) & (clearness >= 0) & (clearness <= 0.9)
    rows &= (air >= -15) & (air <= 8) & (np.abs(np.round(air)) <= 8) & (humidity > 0)
    rows &= (surface - air >= -15) & (surface - air <= 10)
    dew_point = dew_point_from_vapour_c(humidity[rows] / 100 * over_water_hpa(air[rows]))
    return Days(
        temp_c=np.round(air[rows]),
        dew_point_c=np.round(dew_point),
        clearness=clearness[rows],
        frost=(surface[rows] <= 0) & (surface[rows] <= frost_point_c(dew_point)),
    )


def _above_atmosphere_mj_m2(latitude_deg: Column, day: npt.NDArray[np.datetime64]) -> Column:
    number = (day - day.astype("datetime64[Y]")).astype(int) + 1
    latitude = np.radians(latitude_deg)
    nearness = 1 + 0.033 * np.cos(2 * np.pi * number / 365)
    declination = 0.409 * np.sin(2 * np.pi * number / 365 - 1.39)
    sunset = np.arccos(np.clip(-np.tan(latitude) * np.tan(declination), -1, 1))
    height = sunset * np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.sin(sunset)
    return 24 * 60 / np.pi * 0.0820 * nearness * height


def _probability(days: Days, rows: npt.NDArray[np.intp]) -> Column:
    """Return the share of members with frost for some days; the first row keys the draw, so that answers repeat."""
    draw = np.random.default_rng([SEED, int(rows[0])])
    shape = (len(rows), MEMBERS)
    temp = days.temp_c[rows, None] + draw.uniform(-0.5, 0.5, shape)
    dew_point = np.minimum(days.dew_point_c[rows, None] + draw.uniform(-0.5, 0.5, shape), temp)
    vapour = over_water_hpa(dew_point)
    hidden = 0.85 * np.clip((0.72 - days.clearness[rows, None]) / 0.57, 0, 1)
    cloud = np.clip(hidden + draw.normal(0, 0.25, shape), 0, 1)
    sky = downwelling_w_m2(temp + KELVIN, vapour, cloud)
    sky += np.where(cloud > 0, 18, 9) * draw.standard_normal(shape)
    wind = 2.5 * np.exp(draw.normal(0, 0.8, shape))
    unsure = Uncertain(
        draw.uniform(0.85, 0.95, shape), np.exp(draw.normal(0, 0.20, shape)), np.exp(draw.normal(0, 0.30, shape))
    )
    acting = exchange(Forcing(temp, vapour, wind, sky, 0.0, 1013.25), unsure)
    surface = Surface(temp - 2, np.zeros(shape), np.zeros(shape))
    for _ in range(3):
        surface = step(surface, acting, DRY_BAY, 1e5)
    skin = surface.skin_c + draw.normal(0, 1.8, shape)
    return ((skin <= 0) & (skin <= frost_point_c(dew_point))).mean(axis=1)


if __name__ == "__main__":
    main()
