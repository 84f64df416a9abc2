"""The published form of the endurance time against the tables: t = 10^I * R^A * (2 - T)^B.

Coefficients: tests/data/reference/hot_regression.csv. One set is recalled from the FAA and Transport Canada regression
information; the others were computed from the two ends of table cells whose times were read, at the rates that limit
the columns (snow 10-25 g/dm2/h: Transport Canada CASA 2017-09; the others from memory).
"""

from __future__ import annotations

from math import floor

import pytest

from tests.treatment.at_hand import figures, shipped
from watcher.treatment.bands import temperature_band
from watcher.treatment.words import FluidType, Surface

RATES_G_DM2_H = {"snow_very_light": (3, 4), "snow_light": (4, 10), "snow_moderate": (10, 25)}
COLD_END_C = {"-3 and above": -3.0, "below -3 to -6": -6.0, "below -6 to -10": -10.0, "below -10": -25.0}
ROWS = figures("hot_regression.csv")
SETS = {"TC-2003-04-T3": "canada-2003-04", "FAA-FORMAT-PRE2009": "united-states-before-2009"}
DERIVED = [row for row in ROWS if row["kind"] == "derived_two_point" and row["source_id"] in SETS]


def endurance_min(row: dict[str, str], rate_g_dm2_h: float, temp_c: float) -> float:
    return 10 ** float(row["I"]) * rate_g_dm2_h ** float(row["A"]) * (2 - temp_c) ** float(row["B"])


def test_the_snow_cells_of_type_1_on_aluminium_follow_the_regression_within_a_minute():
    row = next(each for each in ROWS if each["kind"] == "published_recalled" and each["I"])
    table = next(
        table
        for each in shipped().sets
        for table in each.holdover
        if (table.fluid, table.surface) == (FluidType.I, Surface.ALUMINIUM)
    )
    compared = 0
    for of_band in table.rows:
        for column, (light, heavy) in RATES_G_DM2_H.items():
            cell = of_band.cells[column]
            for printed, rate in ((cell.upper_min, light), (cell.lower_min, heavy)):
                computed = endurance_min(row, rate, COLD_END_C[of_band.oat.text])
                assert abs(computed - printed) <= 1.0
                assert printed <= floor(computed + 0.1)
                compared += 1
    assert compared == 24


@pytest.mark.parametrize(
    "row", DERIVED, ids=lambda row: "-".join((row["source_id"], row["concentration"], row["weather"], row["oat_band"]))
)
def test_the_seen_cells_of_type_4_follow_the_form_between_their_ends(row):
    each = next(each for each in shipped().sets if each.name == SETS[row["source_id"]])
    (table,) = each.holdover
    (of_band,) = [
        of_band
        for of_band in table.rows
        if of_band.mix == row["concentration"] and of_band.oat == temperature_band(row["oat_band"])
    ]
    cell = of_band.cells[row["weather"]]
    low, high = float(row["R_lo_g_dm2_h"]), float(row["R_hi_g_dm2_h"])
    assert endurance_min(row, low, -3.0) == pytest.approx(cell.upper_min, abs=0.06)
    assert endurance_min(row, high, -3.0) == pytest.approx(cell.lower_min, abs=0.06)
    between = endurance_min(row, (low + high) / 2, -3.0)
    assert cell.lower_min < between < cell.upper_min
