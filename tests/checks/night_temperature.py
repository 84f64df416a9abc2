"""The night's way of the temperature, from the report an hour after sunset and a lowest temperature as a TAF gives it.

The TAF's value is the night's lowest with a simulated error of 1.5 K (twenty draws, fixed seed) and rounding, and is given
for sunrise; the report is taken to the tenth, as the file has it. Nights from October to April (April to October in the
south) with at least nine reports. Persistence is the same report kept through the night.

python -m tests.checks.night_temperature FILE --position LAT,LON,ELEV_M

Columns: time_hour (UTC), t_c (hourly reports). Prints JSON.
"""

from __future__ import annotations

import json

import numpy as np
import numpy.typing as npt

from tests.checks.table import Position, Table, asked, rmse
from watcher.outlook.night.temperature import SUNSET_DEG, Anchor, path_of
from watcher.physics.shortwave import sun_elevation_deg

HOURS = (2, 4, 8)
FORECAST_ERROR_K = 1.5
DRAWS = 20
COLD_MONTHS = {10, 11, 12, 1, 2, 3, 4}
HOUR = np.timedelta64(1, "h")


def main() -> None:
    table, position = asked("tests.checks.night_temperature")
    if position is None:
        raise SystemExit("--position is needed: it says when the sun sets")
    print(json.dumps(check(table, position)))


def check(table: Table, position: Position, seed: int = 1) -> dict[str, object]:
    times, temp = np.char.rstrip(table.texts("time_hour"), "Z").astype("datetime64[s]"), table.numbers("t_c")
    found = {hour: {"path": [], "kept": []} for hour in HOURS}
    noise = np.random.default_rng(seed)
    nights = 0
    for sunset, sunrise in _nights(times, position):
        start = np.searchsorted(times, sunset + HOUR)
        rows = np.arange(start, np.searchsorted(times, sunrise + HOUR))
        rows = rows[np.isfinite(temp[rows])]
        if len(rows) < 9 or times[rows[0]] - sunset > 2 * HOUR:
            continue
        nights += 1
        hours = (times[rows] - times[rows[0]]) / HOUR
        first, lowest = float(temp[rows[0]]), float(temp[rows].min())
        sunrise_h = float((sunrise - times[rows[0]]) / HOUR)
        errors = FORECAST_ERROR_K * noise.standard_normal(DRAWS)
        given = [Anchor(sunrise_h, float(value), lowest=True) for value in np.round(lowest + errors)]
        paths = [path_of(hours, Anchor(0.0, first), (), [tn], np.ones(len(hours), dtype=bool)).base_c for tn in given]
        for hour in HOURS:
            for row in np.flatnonzero(np.abs(hours - hour) < 0.1):
                found[hour]["path"].extend(path[row] - temp[rows[row]] for path in paths)
                found[hour]["kept"].append(first - temp[rows[row]])
    return {
        "nights": nights,
        "rmse_k": {str(hour): round(rmse(np.array(found[hour]["path"])), 3) for hour in HOURS},
        "persistence_k": {str(hour): round(rmse(np.array(found[hour]["kept"])), 3) for hour in HOURS},
    }


def _nights(times: npt.NDArray[np.datetime64], position: Position) -> list[tuple[np.datetime64, np.datetime64]]:
    """Return sunset and sunrise of the cold season's nights, to the five minutes."""
    fine = np.arange(times[0], times[-1], np.timedelta64(5, "m"))
    dark = sun_elevation_deg(position.latitude_deg, position.longitude_deg, fine) < SUNSET_DEG
    turns = np.flatnonzero(dark[1:] != dark[:-1]) + 1
    sets = [fine[turn] for turn in turns if dark[turn]]
    rises = [fine[turn] for turn in turns if not dark[turn]]
    nights = []
    for sunset in sets:
        month = int(sunset.astype("datetime64[M]").astype(int)) % 12 + 1
        cold = month in COLD_MONTHS if position.latitude_deg >= 0 else month not in COLD_MONTHS - {4, 10}
        after = [rise for rise in rises if rise > sunset]
        if cold and after:
            nights.append((sunset, after[0]))
    return nights


if __name__ == "__main__":
    main()
