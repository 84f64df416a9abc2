"""The sun on arrays against pvlib (BSD-3) and the scalar that the rules use."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pvlib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.physics import sun
from watcher.physics.shortwave import clear_sky_global_w_m2, cloud_transmission, sun_elevation_deg


@given(
    st.floats(-90, 90),
    st.floats(-180, 180),
    st.datetimes(min_value=datetime(1990, 1, 1), max_value=datetime(2060, 1, 1)),
)
def test_equal_to_the_scalar_of_the_rules(latitude, longitude, when):
    here = float(sun_elevation_deg(latitude, longitude, np.datetime64(when, "us")))
    expected = sun.sun_elevation_deg(latitude, longitude, when.replace(tzinfo=UTC))
    assert np.sin(np.radians(here)) == pytest.approx(np.sin(np.radians(expected)), abs=1e-11)
    if abs(expected) < 89:
        assert here == pytest.approx(expected, abs=1e-9)


def test_a_year_at_three_places_within_two_hundredths_of_a_degree_of_pvlib():
    """NREL solar position algorithm (Reda and Andreas, 2004) as pvlib has it."""
    times = pd.date_range("2026-01-01", "2026-12-31", freq="5h7min", tz="UTC")
    latitude, longitude = np.array([[69.0], [46.5], [-34.0]]), np.array([[18.9], [7.5], [151.0]])
    elevation = sun_elevation_deg(latitude, longitude, times.tz_convert(None).to_numpy())
    assert elevation.shape == (3, len(times))
    for row, (north, east) in zip(elevation, zip(latitude.ravel(), longitude.ravel(), strict=True), strict=True):
        expected = pvlib.solarposition.spa_python(times, north, east)["elevation"].to_numpy()
        assert np.abs(row - expected).max() < 0.02


def test_clear_sky_light_is_that_of_haurwitz():
    """Haurwitz 1945 as pvlib has it."""
    elevation = np.linspace(1, 90, 90)
    expected = pvlib.clearsky.haurwitz(pd.Series(90 - elevation))["ghi"].to_numpy()
    np.testing.assert_allclose(clear_sky_global_w_m2(elevation), expected, rtol=1e-9)


def test_there_is_no_light_below_the_horizon_and_little_at_it():
    np.testing.assert_array_equal(clear_sky_global_w_m2(np.array([-90.0, -1.0, 0.0])), 0)
    low = clear_sky_global_w_m2(np.array([0.01, 0.5, 1.0, 2.0]))
    assert (np.diff(low) > 0).all()
    assert low[0] < 0.01


def test_clouds_let_a_quarter_through_when_they_cover_all():
    """Kasten and Czeplak 1980: 1, 0.93 at half covered, 0.25."""
    np.testing.assert_allclose(cloud_transmission(np.array([0, 0.5, 1])), [1, 0.929, 0.25], atol=1e-3)
