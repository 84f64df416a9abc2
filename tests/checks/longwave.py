"""Longwave radiation from the sky against measurements: clear nights, and days whose cloud amount the sun tells.

Clear night: sun below -6 degrees, air below 8 °C, the standard deviation of seven rows of longwave below 1.5 W/m2, and
an emissivity below 0.618 + 0.056 sqrt(e) + 0.07 (Li, Jiang, Coimbra, 2017: the fit for a clear sky, and room for error).
This filter shares information with what is tested, so read it as "when the sky is clear".

Day: the amount of cloud from diffuse and global light, 2.255 (diffuse surplus / clear global)^0.9381 (the form of Long,
Ackerman, Gaustad, Cole, Journal of Atmospheric and Oceanic Technology 23, 2006; figures from memory), all covered when
the global light is under 0.35 of the clear sky's; to whole eighths, as a report gives it. The clear sky is Ineichen and
Perez 2002 as pvlib has it, with Linke turbidity 2.6.

python -m tests.checks.longwave FILE [--position LAT,LON,ELEV_M]

Columns: time_utc, ghi_wm2, dhi_wm2, lw_down_wm2, t_air_c, rh_pct, and without a position p_hpa, sun_elev_deg. Prints JSON.
"""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pvlib

from tests.checks.table import Column, Position, Table, asked, rmse
from watcher.physics.longwave import STEFAN_BOLTZMANN_W_M2K4, cloud_factor_from_okta, downwelling_w_m2
from watcher.physics.shortwave import sun_elevation_deg
from watcher.physics.transfer import KELVIN
from watcher.physics.vapour import over_water_hpa

LINKE = 2.6


def main() -> None:
    table, position = asked("tests.checks.longwave")
    print(json.dumps(check(table, position)))


def check(table: Table, position: Position | None) -> dict[str, float]:
    measured, air_k, vapour = clear_nights(table, position)
    clear_error = downwelling_w_m2(air_k, vapour, 0.0) - measured
    okta, measured, air_k, vapour = days_by_okta(table, position)
    okta_error = downwelling_w_m2(air_k, vapour, cloud_factor_from_okta(okta)) - measured
    return {
        "rows": len(clear_error),
        "clear_rmse": round(rmse(clear_error), 2),
        "clear_bias": round(float(clear_error.mean()), 2),
        "okta_rmse": round(rmse(okta_error), 2),
        "okta_bias": round(float(okta_error.mean()), 2),
    }


def clear_nights(table: Table, position: Position | None) -> tuple[Column, Column, Column]:
    """Return measured longwave, air temperature [K] and vapour pressure [hPa] of the rows with a clear night sky."""
    air_k, vapour = _air(table)
    measured = table.numbers("lw_down_wm2")
    emissivity = measured / (STEFAN_BOLTZMANN_W_M2K4 * air_k**4)
    steady = pd.Series(measured).rolling(7, center=True).std().to_numpy() < 1.5
    rows = steady & (_sun_deg(table, position) < -6) & (air_k < 8 + KELVIN)
    rows &= emissivity < 0.618 + 0.056 * np.sqrt(vapour) + 0.07
    return measured[rows], air_k[rows], vapour[rows]


def _air(table: Table) -> tuple[Column, Column]:
    air_c = table.numbers("t_air_c")
    return air_c + KELVIN, table.numbers("rh_pct") / 100 * over_water_hpa(air_c)


def _sun_deg(table: Table, position: Position | None) -> Column:
    if position is None:
        return table.numbers("sun_elev_deg")
    return sun_elevation_deg(position.latitude_deg, position.longitude_deg, table.times("time_utc"))


def days_by_okta(table: Table, position: Position | None) -> tuple[Column, Column, Column, Column]:
    """Return cloud amount [okta], measured longwave, air temperature [K] and vapour pressure [hPa] of every third day row.

    Amount and longwave are means of three rows.
    """
    sun = _sun_deg(table, position)
    clear_global, clear_diffuse = _clear_sky(table, sun, position)
    day = np.flatnonzero(sun > 9)
    surplus = np.maximum((table.numbers("dhi_wm2") - clear_diffuse)[day] / clear_global[day], 0)
    amount = np.clip(2.255 * surplus**0.9381, 0, 1)
    amount[table.numbers("ghi_wm2")[day] < 0.35 * clear_global[day]] = 1
    means = (
        pd.DataFrame({"amount": amount, "longwave": table.numbers("lw_down_wm2")[day]}).rolling(3, center=True).mean()
    )
    okta, measured = np.round(8 * means["amount"].to_numpy()[1::3]), means["longwave"].to_numpy()[1::3]
    air_k, vapour = (values[day[1::3]] for values in _air(table))
    known = np.isfinite(okta + measured + air_k + vapour)
    return okta[known], measured[known], air_k[known], vapour[known]


def _clear_sky(table: Table, sun: Column, position: Position | None) -> tuple[Column, Column]:
    zenith = pd.Series(90 - sun)
    if position is None:
        pressure = 100 * float(np.nanmean(table.numbers("p_hpa")))
        altitude = float(pvlib.atmosphere.pres2alt(pressure))
    else:
        altitude = position.elevation_m
        pressure = float(pvlib.atmosphere.alt2pres(altitude))
    airmass = pvlib.atmosphere.get_absolute_airmass(pvlib.atmosphere.get_relative_airmass(zenith), pressure)
    sky = pvlib.clearsky.ineichen(zenith, airmass, LINKE, altitude=altitude)
    return sky["ghi"].to_numpy(), sky["dhi"].to_numpy()


if __name__ == "__main__":
    main()
