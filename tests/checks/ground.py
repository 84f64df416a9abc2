"""Ground with heat storage against its measured temperature, one night for each file of the table.

Truth: T = ((up - 0.03 down) / (0.97 sigma))^(1/4), for the upwelling longwave holds 3 % of reflected sky. The longest run
of rows with the sun below the horizon counts, begun at air temperature, its first hour left out.

python -m tests.checks.ground FILE [--position LAT,LON,ELEV_M]

Columns: time_utc, file, sun_elev_deg (without a position), t_air_c, wind_ms, lw_down_wm2, lw_up_wm2. Prints JSON.
"""

from __future__ import annotations

import json

import numpy as np

from tests.checks.table import Column, Position, Table, asked, rmse
from watcher.physics.ground import EMISSIVITY, ground_temperature_c
from watcher.physics.longwave import STEFAN_BOLTZMANN_W_M2K4
from watcher.physics.shortwave import sun_elevation_deg
from watcher.physics.sun import SUNRISE_ELEVATION_DEG
from watcher.physics.transfer import KELVIN


def main() -> None:
    table, position = asked("tests.checks.ground")
    print(json.dumps(check(table, position)))


def check(table: Table, position: Position | None) -> dict[str, float]:
    times, files = table.times("time_utc"), table.texts("file")
    air, wind, down, up = (table.numbers(name) for name in ("t_air_c", "wind_ms", "lw_down_wm2", "lw_up_wm2"))
    sun = (
        table.numbers("sun_elev_deg")
        if position is None
        else sun_elevation_deg(position.latitude_deg, position.longitude_deg, times)
    )
    truth = ((up - (1 - EMISSIVITY) * down) / (EMISSIVITY * STEFAN_BOLTZMANN_W_M2K4)) ** 0.25 - KELVIN
    known = np.isfinite(truth + air + wind + down)
    errors: list[Column] = []
    air_errors: list[Column] = []
    for name in np.unique(files):
        night = _longest_run((files == name) & (sun < SUNRISE_ELEVATION_DEG) & known)
        step_s = float(np.median(np.diff(times[night])) / np.timedelta64(1, "s"))
        ground = ground_temperature_c(air[night], wind[night], down[night], step_s, start_c=air[night[0]])
        later = slice(round(3600 / step_s), None)
        errors.append((ground - truth[night])[later])
        air_errors.append((air - truth)[night][later])
    return {
        "rows": sum(len(error) for error in errors),
        "rmse_k": round(rmse(np.concatenate(errors)), 3),
        "air_rmse_k": round(rmse(np.concatenate(air_errors)), 3),
    }


def _longest_run(rows: np.ndarray) -> np.ndarray:
    places = np.flatnonzero(rows)
    return max(np.split(places, np.flatnonzero(np.diff(places) > 1) + 1), key=len)


if __name__ == "__main__":
    main()
