"""Ground with heat storage against the closed solution and its own limits."""

from __future__ import annotations

import numpy as np
import pytest

from watcher.physics.ground import ground_temperature_c
from watcher.physics.longwave import STEFAN_BOLTZMANN_W_M2K4

SIGMA = STEFAN_BOLTZMANN_W_M2K4


def test_under_a_steady_loss_it_cools_with_the_square_root_of_time():
    """Carslaw and Jaeger 1959, chapter 2: T = T0 - 2 q sqrt(t / pi) / mu while the loss q hardly changes.

    The first hours are left out: with steps of ten minutes the infinitely steep beginning is rounded off.
    """
    steps, admittance = 72, 1e6
    air = np.zeros(steps)
    sky = np.full(steps, SIGMA * 273.15**4 - 80 / 0.97)
    ground = ground_temperature_c(air, air, sky, 600.0, start_c=0.0, admittance_j_m2ks05=admittance)
    elapsed = 600.0 * np.arange(1, steps + 1)
    expected = -2 * 80 * np.sqrt(elapsed / np.pi) / admittance
    np.testing.assert_allclose(ground[18:], expected[18:], rtol=0.02)


def test_without_storage_it_is_the_balance_of_the_surface():
    air, wind, sky = np.full(5, 2.0), np.full(5, 1.0), np.full(5, 240.0)
    skin = ground_temperature_c(air, wind, sky, 600.0, start_c=2.0, admittance_j_m2ks05=1e-6)[-1]
    assert 0.97 * (240.0 - SIGMA * (skin + 273.15) ** 4) + 6.5 * (2.0 - skin) == pytest.approx(0, abs=0.05)


def test_storage_keeps_the_night_warmer_and_wind_draws_it_to_the_air():
    air, sky = np.full(72, 0.0), np.full(72, 230.0)
    bare, deep = (
        ground_temperature_c(air, air + 1, sky, 600.0, start_c=0.0, admittance_j_m2ks05=mu)[-1] for mu in (1, 1800)
    )
    windy = ground_temperature_c(air, air + 8, sky, 600.0, start_c=0.0)[-1]
    assert bare < deep < windy < 0


def test_several_places_at_once_are_those_places_one_by_one():
    draw = np.random.default_rng(5)
    air, wind, sky = draw.normal(0, 2, (20, 3)), draw.uniform(0, 4, (20, 3)), draw.uniform(220, 300, (20, 3))
    together = ground_temperature_c(air, wind, sky, 600.0, start_c=air[0])
    for place in range(3):
        alone = ground_temperature_c(air[:, place], wind[:, place], sky[:, place], 600.0, start_c=air[0, place])
        np.testing.assert_allclose(together[:, place], alone, rtol=1e-12)


def test_a_shorter_step_says_the_same():
    hours = 10
    coarse = ground_temperature_c(*(np.full(hours * 6, x) for x in (0.0, 1.0, 235.0)), 600.0, start_c=0.0)
    fine = ground_temperature_c(*(np.full(hours * 60, x) for x in (0.0, 1.0, 235.0)), 60.0, start_c=0.0)
    assert coarse[-1] == pytest.approx(fine[-1], abs=0.05)
