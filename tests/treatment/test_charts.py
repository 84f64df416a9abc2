"""The two published charts of snowfall by visibility, in the tables and in the rulebook."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.treatment.at_hand import asked, figures, shipped, temps_in, told
from watcher.rulebook.snow import Snowfall, american_chart, canadian_chart
from watcher.treatment.holdover import Outcome
from watcher.treatment.tables import SnowChart
from watcher.treatment.words import FluidType

MILE_M = 1609.344


def chart(name: str) -> SnowChart:
    return next(each.charts[0] for each in shipped().sets if each.name == name)


CANADA, UNITED_STATES = chart("canada-2003-04"), chart("united-states-before-2009")


def intensity(of: SnowChart, visibility_m: float, temp_c: float, *, night: bool) -> Snowfall:
    (row,) = [row for row in of.rows_at(visibility_m, night=night) if temp_c in row.oat]
    return row.intensity


def told_cell(row: dict[str, str]) -> str:
    return "-".join(list(row.values())[2:9])


@pytest.mark.parametrize("row", figures("snow_intensity_visibility_tc.csv"), ids=told_cell)
def test_every_cell_of_the_canadian_chart(row):
    """Transport Canada TP 10643E, chapter 2, table 1 (2003)."""
    night, above = row["lighting"] == "darkness", float(row["vis_gt_sm"])
    up_to = float(row["vis_le_sm"]) if row["vis_le_sm"] else above + 3
    for temp_c in temps_in(row):
        for miles in (above + 0.05, up_to):
            assert intensity(CANADA, miles * MILE_M, temp_c, night=night).word == row["intensity"]


@pytest.mark.parametrize("row", figures("snow_intensity_visibility_faa.csv"), ids=told_cell)
def test_every_cell_of_the_american_chart(row):
    """FAA, snowfall intensities as a function of prevailing visibility, layout before 2009."""
    for temp_c in temps_in(row):
        found = intensity(UNITED_STATES, float(row["visibility_m"]), temp_c, night=row["lighting"] == "night")
        assert found.word == row["intensity"]


@given(st.floats(0, 12000), st.floats(-30, 5), st.booleans())
def test_the_tables_and_the_rulebook_read_the_same_charts(visibility_m, temp_c, night):
    assert intensity(CANADA, visibility_m, temp_c, night=night) is canadian_chart(visibility_m, temp_c, night=night)
    found = intensity(UNITED_STATES, visibility_m, temp_c, night=night)
    assert found is american_chart(visibility_m, temp_c, night=night)


def test_the_worked_example():
    """Transport Canada TP 10643E, chapter 2: daylight, -7 °C, visibility 1 statute mile: light."""
    assert intensity(CANADA, 1609, -7.0, night=False) is Snowfall.LIGHT
    answer = told(asked("-SN", -7.0, fluid=FluidType.III, mix="100/0", visibility_m=1609))
    assert (answer.column, answer.lower_min, answer.upper_min) == ("snow_light", 15, 30)


def test_where_the_charts_differ_both_are_told_and_the_heavier_counts():
    """Darkness, 2 statute miles, above -1 °C: moderate by the Canadian chart, light by the American one."""
    answer = told(asked("-SN", 0.0, fluid=FluidType.III, visibility_m=2 * MILE_M, night=True))
    assert answer.column == "snow_moderate"
    assert "moderate (Transport Canada)" in answer.why
    assert "light (FAA)" in answer.why
    assert "the heavier counts" in answer.why


def test_at_minus_1_the_charts_stand_in_opposite_rows_and_both_are_asked():
    """-1 °C is in the warmer row of the Canadian chart and in the colder one of the American."""
    by_night = [intensity(of, 1700, -1.0, night=True) for of in (CANADA, UNITED_STATES)]
    assert by_night == [Snowfall.MODERATE, Snowfall.MODERATE]
    assert intensity(CANADA, 1600, -1.0, night=True) is Snowfall.HEAVY
    assert intensity(UNITED_STATES, 1600, -1.0, night=True) is Snowfall.MODERATE
    assert told(asked("SN", -1.0, visibility_m=1600, night=True)).outcome is Outcome.SPECIAL


def test_colder_is_not_always_worse_in_snow_by_night():
    """1600 m is moderate below -1 °C and heavy above it; rounding leaves both, so there is no time."""
    assert told(asked("-SN", (-2.5, -1.5), visibility_m=1600, night=True)).outcome is Outcome.TIME
    assert told(asked("-SN", (-0.4, 0.4), visibility_m=1600, night=True)).outcome is Outcome.SPECIAL
    assert told(asked("-SN", (-1.5, -0.5), visibility_m=1600, night=True)).outcome is Outcome.SPECIAL


def test_between_two_columns_the_lower_visibility_counts():
    """3100 m lies between the columns 2400 m and 3200 m of the American chart: the former."""
    at_2400 = intensity(UNITED_STATES, 2400, -5.0, night=True)
    assert intensity(UNITED_STATES, 3100, -5.0, night=True) is at_2400 is Snowfall.MODERATE
    assert intensity(UNITED_STATES, 3200, -5.0, night=True) is Snowfall.LIGHT


def test_a_visibility_below_what_the_station_measures_is_the_heaviest():
    answer = told(asked("-SN", -5.0, visibility_m=400, visibility_bound="below"))
    assert answer.outcome is Outcome.SPECIAL
    assert answer.why.startswith("Below 400 m by day is heavy snow")
