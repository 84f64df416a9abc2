"""Vapour on arrays against published tables and other formulas."""

from __future__ import annotations

import numpy as np
import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.physics import humidity
from watcher.physics.vapour import (
    dew_point_from_vapour_c,
    frost_point_c,
    frost_point_from_vapour_c,
    over_ice_hpa,
    over_water_hpa,
)

KELVIN = 273.15


def test_the_table_of_the_magnus_form_cell_by_cell():
    """WMO-No. 8, Annex 4.B, to the decimals given there and in the tables made from it."""
    t = np.array([-20.0, -10.0, -5.0, 0.0, 10.0])
    np.testing.assert_allclose(over_water_hpa(t), [1.2597, 2.8703, 4.2218, 6.1120, 12.260], rtol=1e-4)
    np.testing.assert_allclose(over_ice_hpa(t[:4]), [1.0326, 2.5987, 4.0174, 6.1120], rtol=1e-4)


@pytest.mark.parametrize(
    ("dew_point_c", "magnus", "murphy_koop"),
    [(-20, -17.91, -17.95), (-10, -8.88, -8.90), (-5, -4.42, -4.43), (-2, -1.76, -1.77), (-1, -0.88, -0.88)],
)
def test_the_table_of_frost_points(dew_point_c, magnus, murphy_koop):
    """By WMO-No. 8, and by Murphy and Koop, Q. J. R. Meteorol. Soc. 131, 2005, equation 7 for ice."""
    assert frost_point_c(dew_point_c) == pytest.approx(magnus, abs=0.02)
    assert frost_point_c(dew_point_c) == pytest.approx(murphy_koop, abs=0.05)


def test_at_and_above_freezing_the_frost_point_is_the_dew_point():
    np.testing.assert_array_equal(frost_point_c(np.array([0.0, 3.0, 12.0])), [0.0, 3.0, 12.0])


def test_sonntag_and_buck_agree_within_half_a_percent_over_water_and_a_tenth_over_ice():
    """Sonntag, Z. Meteorol. 70, 1990 (water from memory), and Buck 1996 (memory)."""
    t = np.linspace(-30, 15, 46)
    kelvin = t + KELVIN
    sonntag_water = np.exp(
        -6096.9385 / kelvin + 16.635794 - 2.711193e-2 * kelvin + 1.673952e-5 * kelvin**2 + 2.433502 * np.log(kelvin)
    )
    buck_water = 6.1121 * np.exp((18.678 - t / 234.5) * t / (257.14 + t))
    np.testing.assert_allclose(over_water_hpa(t), sonntag_water, rtol=6e-3)
    np.testing.assert_allclose(over_water_hpa(t), buck_water, rtol=6e-3)
    cold, cold_k = t[t <= 0], kelvin[t <= 0]
    sonntag_ice = np.exp(
        -6024.5282 / cold_k + 24.7219 + 1.0613868e-2 * cold_k - 1.3198825e-5 * cold_k**2 - 0.49382577 * np.log(cold_k)
    )
    buck_ice = 6.1115 * np.exp((23.036 - cold / 333.7) * cold / (279.82 + cold))
    np.testing.assert_allclose(over_ice_hpa(cold), sonntag_ice, rtol=1e-3)
    np.testing.assert_allclose(over_ice_hpa(cold), buck_ice, rtol=1e-3)


def test_murphy_and_koop_agree_over_ice():
    """Murphy and Koop 2005, equation 7 (Pa, K)."""
    t = np.linspace(-40, 0, 41) + KELVIN
    pascal = np.exp(9.550426 - 5723.265 / t + 3.53068 * np.log(t) - 0.00728332 * t)
    np.testing.assert_allclose(over_ice_hpa(t - KELVIN), pascal / 100, rtol=2e-3)


@pytest.mark.parametrize(("temp_c", "dew_point_c", "wet_bulb_c"), [(5.0, 0.0, 2.89), (0.0, -5.0, -1.75)])
def test_the_psychrometer_of_the_wmo_reads_the_same_vapour(temp_c, dew_point_c, wet_bulb_c):
    """WMO-No. 8, Annex 4.B (memory): e = e_w(T_w) - 6.53e-4 (1 + 0.000944 T_w) p (T - T_w), at 1013.25 hPa."""
    drop = 6.53e-4 * (1 + 0.000944 * wet_bulb_c) * 1013.25 * (temp_c - wet_bulb_c)
    assert over_water_hpa(wet_bulb_c) - drop == pytest.approx(over_water_hpa(dew_point_c), abs=0.01)


def test_the_ice_bulb_of_the_wmo_reads_the_same_vapour():
    """WMO-No. 8, Annex 4.B (memory): e = e_i(T_i) - 5.75e-4 p (T - T_i); air 0 °C, dew point -5 °C: -1.79 °C."""
    assert over_ice_hpa(-1.79) - 5.75e-4 * 1013.25 * 1.79 == pytest.approx(over_water_hpa(-5.0), abs=0.01)


@pytest.mark.parametrize(
    ("temp_c", "dew_point_c", "over_water", "over_ice"), [(5, 0, 70.1, None), (0, -5, 69.1, None), (-5, -8, 79.5, 83.5)]
)
def test_relative_humidity_over_water_and_over_ice(temp_c, dew_point_c, over_water, over_ice):
    """Worked with the WMO formulas."""
    vapour = over_water_hpa(dew_point_c)
    assert 100 * vapour / over_water_hpa(temp_c) == pytest.approx(over_water, abs=0.06)
    if over_ice is not None:
        assert 100 * vapour / over_ice_hpa(temp_c) == pytest.approx(over_ice, abs=0.06)


def test_psychrolib_agrees_over_water_above_freezing_and_over_ice_below():
    """psychrolib (ASHRAE 2017) means ice below 0 °C; a reported dew point means water, there 9 % more at -10 °C."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    warm, cold = np.arange(1.0, 36.0), np.arange(-40.0, 0.0)
    expected_warm = np.array([psychrolib.GetSatVapPres(t) for t in warm]) / 100
    expected_cold = np.array([psychrolib.GetSatVapPres(t) for t in cold]) / 100
    np.testing.assert_allclose(over_water_hpa(warm), expected_warm, rtol=3e-3)
    np.testing.assert_allclose(over_ice_hpa(cold), expected_cold, rtol=3e-3)
    assert over_water_hpa(-10.0) / (psychrolib.GetSatVapPres(-10) / 100) == pytest.approx(1.10, abs=0.01)


def test_the_figures_that_metpy_is_tested_with():
    """MetPy (BSD-3), which uses Bolton 1980: 50 and 68 °F, and 25 °C with a dew point of 15 °C."""
    np.testing.assert_allclose(over_water_hpa(np.array([10.0, 20.0])), [12.2717, 23.3695], rtol=2e-3)
    assert 100 * over_water_hpa(15.0) / over_water_hpa(25.0) == pytest.approx(53.80, abs=0.1)


@given(st.lists(st.floats(-45, 40), min_size=1, max_size=5))
def test_arrays_say_what_the_scalars_of_the_rules_say(temperatures):
    t = np.array(temperatures)
    np.testing.assert_allclose(over_water_hpa(t), [humidity.saturation_over_water_hpa(x) for x in t], rtol=1e-12)
    np.testing.assert_allclose(over_ice_hpa(t), [humidity.saturation_over_ice_hpa(x) for x in t], rtol=1e-12)
    np.testing.assert_allclose(frost_point_c(t), [humidity.frost_point_c(x) for x in t], rtol=1e-9, atol=1e-12)


@given(st.floats(-45, 40))
def test_dew_and_frost_point_come_back_from_their_vapour(dew_point_c):
    vapour = over_water_hpa(dew_point_c)
    assert dew_point_from_vapour_c(vapour) == pytest.approx(dew_point_c, abs=1e-9)
    assert frost_point_from_vapour_c(vapour) == pytest.approx(float(frost_point_c(dew_point_c)), abs=1e-9)


def test_single_precision_stays_and_costs_less_than_a_thousandth_of_a_kelvin():
    t = np.linspace(-40, 20, 601)
    single = t.astype(np.float32)
    assert over_water_hpa(single).dtype == over_ice_hpa(single).dtype == frost_point_c(single).dtype == np.float32
    assert np.abs(frost_point_c(single) - frost_point_c(single.astype(float))).max() < 1e-3
