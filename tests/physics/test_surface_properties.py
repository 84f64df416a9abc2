"""What holds for every wing in every weather: finite, stable, bounded, and in the right direction."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.physics.wing import weather
from watcher.physics.surface import (
    DRY_BAY,
    TANK_FULL,
    TANK_PART,
    Surface,
    Uncertain,
    advance,
    is_active_frost,
)

PARTS = st.sampled_from([DRY_BAY, TANK_FULL, TANK_PART])
AIR, SPREAD, WIND, CLOUD = st.floats(-60, 45), st.floats(0, 40), st.floats(0, 50), st.floats(0, 1)
UNSURE = st.builds(Uncertain, st.floats(0.05, 1), st.floats(0.3, 3), st.floats(0.1, 3), st.floats(0, 1))
STEPS_S = st.floats(1, 86_400)


@given(
    PARTS, AIR, SPREAD, WIND, CLOUD, st.floats(0, 1200), st.floats(450, 1085), UNSURE, STEPS_S,
    st.floats(-60, 60), st.floats(0, 3), st.floats(0, 0.1), st.floats(-50, 60), st.booleans(),
)  # fmt: skip
def test_any_state_in_any_weather_stays_finite_and_possible(
    part, air, spread, wind, cloud, sunlight, pressure, unsure, dt_s, skin, deposit, film, fuel, single
):
    kind = np.float32 if single else np.float64
    surface = Surface(
        np.full(3, skin, kind), np.full(3, deposit, kind), np.full(3, film, kind),
        None if part is DRY_BAY else np.full(3, fuel, kind),
    )  # fmt: skip
    forcing = weather(air, air - spread, wind, cloud, sunlight, pressure)
    for _ in range(20):
        surface = advance(surface, forcing, part, dt_s, unsure)
        for state in (surface.skin_c, surface.deposit_kg_m2, surface.film_kg_m2):
            assert np.isfinite(state).all()
            assert state.dtype == kind
        assert (surface.deposit_kg_m2 >= 0).all()
        assert (surface.film_kg_m2 >= 0).all()
        frozen = 0 if surface.frozen_kg_m2 is None else surface.frozen_kg_m2
        assert (surface.film_kg_m2 - frozen <= 0.1 + 1e-6).all()
    warmest = max(air, skin, fuel) + sunlight / 4.5 * 1.5 + 12
    coldest = min(air, skin, fuel) - 60
    assert (surface.skin_c < warmest).all()
    assert (surface.skin_c > coldest).all()


@given(AIR, SPREAD, WIND, CLOUD, STEPS_S)
def test_a_skin_at_rest_stays_at_rest_whatever_the_step(air, spread, wind, cloud, dt_s):
    """No ice to grow: the frost point is far below."""
    forcing = weather(air, air - spread - 30, wind, cloud)
    rest = Surface(np.array([air]), np.zeros(1), np.zeros(1))
    for _ in range(8):
        rest = advance(rest, forcing, DRY_BAY, 1e6)
    later = advance(rest, forcing, DRY_BAY, dt_s)
    assert np.abs(later.skin_c - rest.skin_c).max() < 1e-6


@settings(max_examples=30)
@given(st.floats(-25, 10), st.floats(0, 8), st.floats(0, 12), CLOUD, st.floats(-10, 10))
def test_half_the_step_says_nearly_the_same(air, spread, wind, cloud, fuel):
    forcing = weather(air, air - spread, wind, cloud)
    for part in (DRY_BAY, TANK_FULL, TANK_PART):
        states = []
        for dt_s, steps in ((600.0, 24), (300.0, 48)):
            surface = Surface(
                np.array([air]), np.zeros(1), np.zeros(1), None if part is DRY_BAY else np.array([air + fuel])
            )
            for _ in range(steps):
                surface = advance(surface, forcing, part, dt_s)
            states.append(surface)
        coarse, fine = states
        assert np.abs(coarse.skin_c - fine.skin_c).max() < 0.1
        assert np.abs(coarse.deposit_kg_m2 - fine.deposit_kg_m2).max() < 0.005


def _frosts(air, dew_point, wind, cloud):
    """Return where a dry bay at rest is under active frost, for arrays of weather that broadcast.

    A skin held at 0 °C, where ice and water stand side by side, is left out: either answer is right.
    """
    forcing = weather(air, dew_point, wind, cloud)
    shape = np.broadcast(air, dew_point, wind, cloud).shape
    surface = Surface(np.broadcast_to(np.asarray(air, dtype=float), shape) - 2, np.zeros(shape), np.zeros(shape))
    for _ in range(4):
        surface = advance(surface, forcing, DRY_BAY, 1e5)
    return np.broadcast_to(is_active_frost(surface, forcing), shape)[np.abs(surface.skin_c) > 0.01]


def _never_begins(frosts):
    return not (frosts[1:] & ~frosts[:-1]).any()


@given(st.floats(-25, 6), st.floats(0, 6), CLOUD)
def test_warmer_air_over_the_same_dew_point_never_brings_frost(dew_point, wind, cloud):
    assert _never_begins(_frosts(dew_point + np.linspace(0, 12, 60), dew_point, wind, cloud))


@given(st.floats(-20, 8), st.floats(0, 10), st.floats(0, 8))
def test_more_cloud_never_brings_frost(air, spread, wind):
    assert _never_begins(_frosts(air, air - spread, wind, np.linspace(0, 1, 60)))


@given(st.floats(-20, 8), st.floats(0.2, 10), CLOUD)
def test_more_wind_never_brings_frost(air, spread, cloud):
    assert _never_begins(_frosts(air, air - spread, np.linspace(0, 15, 60), cloud))


@given(st.floats(-20, 8), st.floats(0, 8), CLOUD)
def test_a_lower_dew_point_below_freezing_never_brings_frost(air, wind, cloud):
    assert _never_begins(_frosts(air, min(air, 0.0) - np.linspace(0, 12, 60), wind, cloud))


@given(PARTS, st.floats(-20, 10), st.floats(0, 6), st.floats(0, 8), CLOUD, st.floats(0, 0.2), st.floats(0, 0.1))
def test_warmer_air_never_leaves_a_colder_skin(part, air, spread, wind, cloud, deposit, film):
    warmer = air + np.linspace(0, 4, 9)
    start = np.full(9, air)
    surface = Surface(start, np.full(9, deposit), np.full(9, film), None if part is DRY_BAY else start)
    for _ in range(12):
        surface = advance(surface, weather(warmer, air - spread, wind, cloud), part, 600.0)
    assert (np.diff(surface.skin_c) > -0.02).all()
