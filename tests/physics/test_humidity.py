"""Humidity against published formulas and psychrolib."""

from __future__ import annotations

import psychrolib
import pytest

from watcher.physics.humidity import (
    frost_point_c,
    relative_humidity_pct,
    saturation_over_ice_hpa,
    saturation_over_water_hpa,
)


@pytest.mark.parametrize(
    ("temp_c", "water", "ice"),
    [(-20, 1.2597, 1.0326), (-10, 2.8703, 2.5987), (-5, 4.2218, 4.0174), (0, 6.1120, 6.1120)],
)
def test_the_table_of_the_magnus_form(temp_c, water, ice):
    """WMO-No. 8, Annex 4.B, computed by hand to four decimals."""
    assert saturation_over_water_hpa(temp_c) == pytest.approx(water, rel=1e-3)
    assert saturation_over_ice_hpa(temp_c) == pytest.approx(ice, rel=1e-3)


@pytest.mark.parametrize(
    ("dew_point_c", "expected"), [(-20, -17.95), (-10, -8.90), (-5, -4.43), (-2, -1.77), (-1, -0.88)]
)
def test_the_frost_point_is_that_of_murphy_and_koop(dew_point_c, expected):
    """Murphy and Koop, Q. J. R. Meteorol. Soc. 131, 2005, equation 7: an independent ice formula, within 0.05 K."""
    assert frost_point_c(dew_point_c) == pytest.approx(expected, abs=0.05)


def test_above_freezing_what_forms_is_dew():
    assert frost_point_c(3.0) == 3.0
    assert frost_point_c(0.0) == 0.0


@pytest.mark.parametrize("temp_c", [1, 5, 10, 20, 35])
def test_over_water_psychrolib_agrees_above_freezing(temp_c):
    """psychrolib (ASHRAE 2017) switches to ice below 0 °C, so it says nothing about a METAR's dew point there."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    assert saturation_over_water_hpa(temp_c) == pytest.approx(psychrolib.GetSatVapPres(temp_c) / 100, rel=3e-3)


def test_relative_humidity_of_the_worked_example():
    """T 5 °C, Td 0 °C: 70.1 %, WMO-No. 8 formulas."""
    assert relative_humidity_pct(5, 0) == pytest.approx(70.1, abs=0.1)
