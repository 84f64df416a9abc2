"""Heat and vapour between air and wing, and the station's pressure."""

from __future__ import annotations

import numpy as np
import pvlib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.physics.transfer import heat_transfer_w_m2k, pressure_hpa, vapour_transfer_kg_m2shpa


def test_the_table_of_coefficients_by_wind():
    """0, 1, 2.6, 5.1 and 7.7 m/s at 10 m (0, 2, 5, 10 and 15 kt), worked by hand for a 2 m chord at 2 °C."""
    wind = np.array([0, 1.0, 2.6, 5.1, 7.7])
    np.testing.assert_allclose(heat_transfer_w_m2k(2.0, wind, 1013.25), [4.5, 6.7, 13, 22, 31], rtol=0.03)


def test_the_turbulent_plate_by_hand():
    """Nu = 0.037 Re^0.8 Pr^(1/3) times 1.3 at 8 m/s along the chord, 0 °C, sea level."""
    reynolds = 8.0 * 2 / 1.33e-5
    plate = 1.3 * 0.037 * reynolds**0.8 * 0.712 ** (1 / 3) * 0.0243 / 2
    assert heat_transfer_w_m2k(0.0, 10.0, 1013.25) == pytest.approx((plate**3 + 4.5**3) ** (1 / 3), rel=1e-9)


def test_the_whole_formula_at_another_temperature_and_pressure():
    kelvin, pressure = 253.15, 800.0
    viscosity = 1.33e-5 * (kelvin / 273.15) ** 1.75 * (1013.25 / pressure)
    conductivity = 0.0243 * (kelvin / 273.15) ** 0.85
    plate = 1.3 * 0.037 * (0.8 * 5 * 2 / viscosity) ** 0.8 * 0.712 ** (1 / 3) * conductivity / 2
    expected = (plate**3 + 4.5**3) ** (1 / 3)
    assert heat_transfer_w_m2k(-20.0, 5.0, pressure) == pytest.approx(expected, rel=1e-9)


def test_vapour_follows_heat_as_lewis_says():
    """h_m = h / (rho c_p Le^(2/3)), flux h_m 100 / (R_v T), with R_d 287.05 and R_v 461.5 J/kgK."""
    kelvin, pressure, heat = 268.15, 950.0, 12.0
    density = pressure * 100 / (287.05 * kelvin)
    expected = heat / (density * 1005 * 0.86 ** (2 / 3)) * 100 / (461.5 * kelvin)
    assert vapour_transfer_kg_m2shpa(heat, pressure) == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize(
    ("elevation_m", "expected"), [(0, 1013.25), (500, 954.61), (1000, 898.75), (2000, 794.95), (3000, 701.09)]
)
def test_the_standard_atmosphere(elevation_m, expected):
    """ICAO Doc 7488 (also ISO 2533), table of pressure by altitude."""
    assert pressure_hpa(elevation_m) == pytest.approx(expected, abs=0.05)
    assert pressure_hpa(elevation_m) == pytest.approx(float(pvlib.atmosphere.alt2pres(elevation_m)) / 100, rel=1e-4)


@given(st.floats(-300, 4000), st.floats(930, 1060))
def test_an_altimeter_set_to_qnh_shows_the_elevation_on_the_ground(elevation_m, qnh_hpa):
    pressure = pressure_hpa(elevation_m, qnh_hpa)
    shown = 288.15 / 0.0065 * ((qnh_hpa / 1013.25) ** (1 / 5.25588) - (pressure / 1013.25) ** (1 / 5.25588))
    assert shown == pytest.approx(elevation_m, abs=1e-6)


@given(st.floats(-60, 40), st.floats(0, 50), st.floats(450, 1070))
def test_more_wind_never_means_less_transfer(air_c, wind, pressure):
    less, more = heat_transfer_w_m2k(air_c, np.array([wind, wind + 0.5]), pressure)
    assert 4.5 <= less < more
