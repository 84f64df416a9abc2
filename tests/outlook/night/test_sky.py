"""What cloud groups leave open of the sky's heat. The layer sum is that of M. Martin and P. Berdahl, 1984 (memory)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.outlook.night.asking import EVENING
from watcher.outlook.night.conditions import CALM_MS, observed_condition, weather_of
from watcher.outlook.night.sky import FOG_SKY, UNKNOWN_SKY, sky_of
from watcher.physics.longwave import cloud_factor, cloud_factor_from_okta
from watcher.reports.model import CloudLayer, Observation


def sky(*groups, vv=None, cavok=False):
    return sky_of(tuple(CloudLayer(*group) for group in groups) if groups else None, vv, cavok=cavok)


def test_one_layer_is_its_amount_weakened_by_its_height():
    found = sky(("BKN", 3000))
    assert found.low == pytest.approx(5 / 8 * math.exp(-914.4 / 8200))
    assert found.high == pytest.approx(7 / 8 * math.exp(-914.4 / 8200))


def test_layers_agree_with_the_array_form_of_the_physics():
    found = sky(("FEW", 1000), ("SCT", 8000), ("BKN", 20000))
    heights = np.array([1000, 8000, 20000]) * 0.3048
    assert found.low == pytest.approx(float(cloud_factor(np.array([1, 3, 5]) / 8, heights)))
    assert found.high == pytest.approx(float(cloud_factor(np.array([2, 4, 7]) / 8, heights)))


def test_without_a_height_the_whole_sky_formula_counts():
    assert sky(("OVC", None)).high == pytest.approx(float(cloud_factor_from_okta(8.0)))


def test_higher_cloud_warms_less():
    assert sky(("OVC", 800)).low > sky(("OVC", 8000)).low > sky(("OVC", 25000)).low > sky(("OVC", 40000)).low


def test_heavy_cloud_counts_as_broken_at_least():
    assert sky(("FEW", 3000, "CB")) == sky(("BKN", 3000))


def test_a_group_without_an_amount_leaves_everything_open():
    found = sky((None, 3000))
    assert found.low == 0
    assert found.high > 0.85


def test_vertical_visibility_closes_the_sky_and_nothing_reported_leaves_it_open():
    assert sky(vv=100).low > 0.99
    assert sky() == UNKNOWN_SKY
    assert sky(cavok=True).unseen


@pytest.mark.parametrize(
    ("texts", "visibility", "fog", "dark", "liquid", "snow", "freezing"),
    [
        (("FG",), 300.0, 1.0, True, False, False, False),
        (("FZFG",), 200.0, 1.0, True, False, False, False),
        (("MIFG",), 3000.0, 0.0, False, False, False, False),
        (("BCFG",), 3000.0, 0.5, False, False, False, False),
        (("VCFG",), 9999.0, 0.0, False, False, False, False),
        (("BR",), 900.0, 0.0, True, False, False, False),
        (("-RA",), 800.0, 0.0, False, True, False, False),
        (("+RASN",), 2000.0, 0.0, False, True, True, False),
        (("BLSN",), 2000.0, 0.0, False, False, False, False),
        (("-FZDZ", "BR"), 2000.0, 0.0, False, False, False, True),
        (("SHGS",), 5000.0, 0.0, False, False, True, False),
        (("UP",), 5000.0, 0.0, False, False, True, False),
    ],
)
def test_weather_by_what_it_does_to_a_wing(texts, visibility, fog, dark, liquid, snow, freezing):
    found = weather_of(texts, visibility)
    assert (found.fog, found.dark, found.liquid, found.snow, found.freezing) == (fog, dark, liquid, snow, freezing)


def test_fog_takes_the_place_of_the_cloud_groups():
    seen = Observation(
        "METAR", "XNOR", EVENING, "", weather=("FG",), visibility_m=200.0, clouds=(CloudLayer("NSC", None),)
    )
    assert observed_condition(seen).sky == FOG_SKY


@pytest.mark.parametrize(
    ("wind", "variable", "low", "high"),
    [
        (0.0, False, 0, CALM_MS),
        (1.0, True, 0, CALM_MS),
        (3.0, True, 0, 3.5 * 1852 / 3600),
        (10.0, False, 9.5 * 1852 / 3600, 10.5 * 1852 / 3600),
    ],
)
def test_wind_by_the_rounding_of_knots(wind, variable, low, high):
    seen = observed_condition(Observation("METAR", "XNOR", EVENING, "", wind_kt=wind, wind_variable=variable))
    assert (seen.wind_low_ms, seen.wind_high_ms) == (pytest.approx(low), pytest.approx(high))
