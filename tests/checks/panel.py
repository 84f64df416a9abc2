"""The wing's balance of heat against a thin panel at night, the nearest thing to a dry bay that was measured.

The panel stands open at 45 degrees: its two sides together see as much sky as ground, so each side is taken to see half
the sky, the rest at air temperature. The wind is measured on the roof that carries the panel and is not reduced to wing
height. Emissivity, heat transfer and all else are those of the wing; nothing lies under the skin. No cloud is known.
Two figures of the heat transfer (1.3 and 4.5 W/m2K) were chosen on these very nights: no independent test of them.

python -m tests.checks.panel FILE

Columns: time_mst (local standard time, 15 minutes), t_air_rmis_c and rh_pct (measured together), t_air_c, wind_ms,
p_hpa, t_panel1_c ... t_panel3_c. Rows from 17 to 06 local time, up to the last whole night. Prints JSON.
"""

from __future__ import annotations

import json

import numpy as np

from tests.checks.table import Column, Table, asked, rmse
from watcher.physics.longwave import downwelling_w_m2
from watcher.physics.surface import Forcing, Part, Surface, Uncertain, advance
from watcher.physics.transfer import KELVIN, WING_HEIGHT_WIND
from watcher.physics.vapour import dew_point_from_vapour_c, over_water_hpa
from watcher.units import KNOTS_PER_METRE_PER_SECOND

# Half of a glass and polymer module of 11 kJ/m2K for each side; memory.
SIDE = Part("panel side", 5.5e3, 0.0, None)
HALF_SKY = Uncertain(sky_view=0.5)


def main() -> None:
    table, _ = asked("tests.checks.panel")
    print(json.dumps(check(table)))


def check(table: Table) -> dict[str, float]:
    times = table.times("time_mst")
    hour = (times - times.astype("datetime64[D]")) / np.timedelta64(1, "h")
    rows = (hour >= 17) | (hour < 6)
    measured = np.mean([table.numbers(f"t_panel{number}_c") for number in (1, 2, 3)], axis=0)
    air, wind, pressure = (table.numbers(name) for name in ("t_air_c", "wind_ms", "p_hpa"))
    vapour = table.numbers("rh_pct") / 100 * over_water_hpa(table.numbers("t_air_rmis_c"))
    rows &= np.isfinite(measured + air + wind + pressure + vapour)
    error = _panel_c(times, rows, air, vapour, wind, pressure)[rows] - measured[rows]
    dew_point = np.minimum(np.round(dew_point_from_vapour_c(vapour)), np.round(air))
    knots = np.round(wind * KNOTS_PER_METRE_PER_SECOND) / KNOTS_PER_METRE_PER_SECOND
    as_reported = _panel_c(times, rows, np.round(air), over_water_hpa(dew_point), knots, pressure)
    return {
        "rows": int(rows.sum()),
        "rmse_k": round(rmse(error), 3),
        "bias_k": round(float(error.mean()), 3),
        "rmse_rounded_k": round(rmse(as_reported[rows] - measured[rows]), 3),
    }


def _panel_c(
    times: np.ndarray, rows: np.ndarray, air: Column, vapour: Column, wind: Column, pressure: Column
) -> Column:
    """Return the panel's temperature; each night begins at rest with its first row."""
    sky = downwelling_w_m2(air + KELVIN, vapour, 0.0)
    panel = np.full(len(air), np.nan)
    surface: Surface | None = None
    for row in np.flatnonzero(rows):
        forcing = Forcing(air[row], vapour[row], wind[row] / WING_HEIGHT_WIND, sky[row], 0.0, pressure[row])
        waited_s = float((times[row] - times[row - 1]) / np.timedelta64(1, "s")) if row and rows[row - 1] else 1e9
        if surface is None or waited_s > 3600:
            surface = Surface(np.array([air[row]]), np.zeros(1), np.zeros(1))
            waited_s = 1e5
        surface = advance(surface, forcing, SIDE, waited_s, HALF_SKY)
        panel[row] = surface.skin_c[0]
    return panel


if __name__ == "__main__":
    main()
