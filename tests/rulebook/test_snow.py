"""Snowfall intensity against both published charts, cell by cell (tests/data/reference)."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.rulebook.snow import Snowfall, american_chart, canadian_chart, snowfall

FOLDER = Path(__file__).parent.parent / "data" / "reference"
MILE = 1609.344


def cells(name: str) -> list[dict[str, str]]:
    lines = (FOLDER / name).read_text().splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def temps_of(cell: dict[str, str]) -> list[float]:
    low, high = cell["t_lo_c"], cell["t_hi_c"]
    if low:
        return [float(low) if cell["t_lo_incl"] == "1" else float(low) + 0.1, float(low) + 3]
    return [float(high) if cell["t_hi_incl"] == "1" else float(high) - 0.1, float(high) - 8]


@pytest.mark.parametrize(
    "cell", cells("snow_intensity_visibility_tc.csv"), ids=lambda cell: "-".join(list(cell.values())[2:9])
)
def test_every_cell_of_the_canadian_chart(cell):
    night = cell["lighting"] == "darkness"
    top = float(cell["vis_le_sm"]) if cell["vis_le_sm"] else float(cell["vis_gt_sm"]) + 2
    for temp_c in temps_of(cell):
        for miles in (top, float(cell["vis_gt_sm"]) + 0.05):
            assert canadian_chart(miles * MILE, temp_c, night=night).word == cell["intensity"]


@pytest.mark.parametrize(
    "cell", cells("snow_intensity_visibility_faa.csv"), ids=lambda cell: "-".join(list(cell.values())[2:10])
)
def test_every_cell_of_the_american_chart(cell):
    night = cell["lighting"] == "night"
    for temp_c in temps_of(cell):
        assert american_chart(float(cell["visibility_m"]), temp_c, night=night).word == cell["intensity"]


def test_the_worked_example():
    """Transport Canada TP 10643E: daylight, -7 °C, visibility 1 statute mile: light."""
    assert canadian_chart(1609, -7.0, night=False) is Snowfall.LIGHT


def test_where_the_charts_disagree_the_heavier_one_counts():
    dark_2_miles = 2 * MILE
    assert american_chart(dark_2_miles, 1.0, night=True) is Snowfall.LIGHT
    assert canadian_chart(dark_2_miles, 1.0, night=True) is Snowfall.MODERATE
    assert snowfall(dark_2_miles, 0.5, 1.5, night=True) is Snowfall.MODERATE
    assert canadian_chart(3 * MILE, 1.0, night=True) is Snowfall.LIGHT
    assert american_chart(3 * MILE, 1.0, night=True) is Snowfall.VERY_LIGHT
    assert snowfall(3 * MILE, 0.5, 1.5, night=True) is Snowfall.LIGHT


def test_colder_is_not_always_worse():
    assert snowfall(1609, -7.5, -6.5, night=True) is Snowfall.MODERATE
    assert snowfall(1609, 0.5, 1.5, night=True) is Snowfall.HEAVY


def test_the_sign_of_the_report_and_an_unknown_position_are_taken_the_worse_way():
    assert snowfall(9000, -5, -4, night=False, heavy_by_report=True) is Snowfall.HEAVY
    by_day, by_night = (snowfall(2000, -5, -4, night=night) for night in (False, True))
    assert snowfall(2000, -5, -4, night=None) is max(by_day, by_night)


@given(st.floats(50, 10000), st.floats(50, 10000), st.floats(-20, 3), st.booleans())
def test_a_lower_visibility_is_never_lighter(one, other, temp_c, night):
    low, high = sorted((one, other))
    assert snowfall(low, temp_c, temp_c, night=night) >= snowfall(high, temp_c, temp_c, night=night)


@given(st.floats(50, 10000), st.floats(-20, 3), st.floats(0, 4), st.booleans())
def test_a_wider_temperature_interval_is_never_lighter(visibility_m, temp_c, width, night):
    narrow = snowfall(visibility_m, temp_c, temp_c, night=night)
    assert snowfall(visibility_m, temp_c - width, temp_c + width, night=night) >= narrow
