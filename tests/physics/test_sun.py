"""The sun against pvlib (BSD-3), which implements the NREL solar position algorithm."""

from __future__ import annotations

from datetime import UTC, datetime

import pandas as pd
import pvlib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watcher.physics.sun import is_night, sun_elevation_deg


@settings(max_examples=60)
@given(
    st.floats(-89, 89),
    st.floats(-180, 180),
    st.datetimes(min_value=datetime(1990, 1, 1), max_value=datetime(2060, 1, 1)),
)
def test_elevation_is_within_two_hundredths_of_a_degree(latitude, longitude, when):
    when = when.replace(tzinfo=UTC)
    expected = pvlib.solarposition.spa_python(pd.DatetimeIndex([when]), latitude, longitude)["elevation"].iloc[0]
    assert sun_elevation_deg(latitude, longitude, when) == pytest.approx(float(expected), abs=0.02)


def test_polar_night_and_midnight_sun():
    assert all(is_night(sun_elevation_deg(70.0, 20.0, datetime(2026, 1, 1, hour, tzinfo=UTC))) for hour in range(24))
    assert not any(
        is_night(sun_elevation_deg(70.0, 20.0, datetime(2026, 6, 21, hour, tzinfo=UTC))) for hour in range(24)
    )
