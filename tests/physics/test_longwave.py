"""The sky's heat against its definition, published model atmospheres and measured clear nights."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.checks.longwave import clear_nights, days_by_okta
from tests.checks.skies import SKIES
from tests.checks.table import Table, rmse
from watcher.physics.longwave import (
    STEFAN_BOLTZMANN_W_M2K4,
    clear_sky_emissivity,
    cloud_factor,
    cloud_factor_from_okta,
    downwelling_w_m2,
    precipitable_water_cm,
)
from watcher.physics.vapour import over_water_hpa

DATA = Path(__file__).parents[1] / "data" / "radiation"


def test_the_emissivity_of_dry_air_and_of_one_centimetre_of_water():
    """Prata 1996 by hand: 1 - exp(-sqrt 1.2) and 1 - 2 exp(-sqrt 4.2)."""
    assert clear_sky_emissivity(0.0, 273.15) == pytest.approx(0.66560, abs=1e-4)
    e_hpa = 273.15 / 46.5
    assert precipitable_water_cm(e_hpa, 273.15) == pytest.approx(1.0)
    assert clear_sky_emissivity(e_hpa, 273.15) == pytest.approx(0.74240, abs=1e-4)


@pytest.mark.parametrize(
    ("air_k", "e_hpa", "published"),
    [(257.2, 1.42, 168), (272.2, 4.39, 220), (287.2, 12.1, 299), (294.2, 19.0, 346), (299.7, 26.3, 395)],
    ids=["subarctic winter", "mid-latitude winter", "subarctic summer", "mid-latitude summer", "tropical"],
)
def test_model_atmospheres_within_ten_watts_of_line_by_line_sums(air_k, e_hpa, published):
    """Atmospheres of AFGL-TR-86-0110; fluxes at the ground as in Ellingson, Ellis, Fels, JGR 96, 1991 (memory)."""
    assert downwelling_w_m2(air_k, e_hpa, 0.0) == pytest.approx(published, abs=10)


@pytest.mark.parametrize(("air_c", "megajoule_a_day"), [(1, 27.70), (17, 34.75), (33, 43.08)])
def test_a_black_sky_radiates_as_the_table_of_fao_56_says(air_c, megajoule_a_day):
    """Allen et al., FAO Irrigation and Drainage Paper 56, 1998, table 2.8 (memory): sigma T^4, T = t + 273.16, sigma 0.08 % higher."""
    assert downwelling_w_m2(air_c + 273.16, 5.0, 1.0) * 0.0864 == pytest.approx(megajoule_a_day, rel=1e-3)


def _alamosa(file):
    """Return measured longwave, air and vapour of a clear night; NOAA SURFRAD, Alamosa, 2317 m, sun below -6 degrees."""
    table = Table(DATA / "surfrad_winter_10min.csv")
    air_k, down = table.numbers("t_air_c") + 273.15, table.numbers("lw_down_wm2")
    e_hpa = table.numbers("rh_pct") / 100 * over_water_hpa(air_k - 273.15)
    rows = (table.texts("file") == file) & (table.numbers("sun_elev_deg") < -6)
    rows &= down / (STEFAN_BOLTZMANN_W_M2K4 * air_k**4) < 0.618 + 0.056 * np.sqrt(e_hpa) + 0.07
    return down[rows], air_k[rows], e_hpa[rows]


def _lyngby():
    """Return the same of the rows that the check of longwave takes; DTU solar radiation station, Lyngby, 50 m."""
    return clear_nights(Table(DATA / "dtu_lyngby_10min_2024-10_2025-01.csv.gz"), None)


@pytest.mark.parametrize("night", [lambda: _alamosa("slv15365"), lambda: _alamosa("slv16001"), _lyngby])
def test_clear_nights_at_two_elevations_need_no_tuning(night):
    measured, air_k, e_hpa = night()
    assert len(measured) > 50
    assert rmse(downwelling_w_m2(air_k, e_hpa, 0.0) - measured) < 9


def test_of_thirteen_published_skies_the_chosen_one_is_the_best_where_it_is_worst():
    nights = [_alamosa("slv15365"), _alamosa("slv16001"), _lyngby()]
    worst = {
        name: max(rmse(sky(e, air) * STEFAN_BOLTZMANN_W_M2K4 * air**4 - measured) for measured, air, e in nights)
        for name, sky in SKIES.items()
    }
    assert min(worst, key=worst.__getitem__) == "Prata 1996", worst


def test_layers_of_cloud():
    """By hand from the sum of Martin and Berdahl 1984: one overcast layer at 1 km, then a broken one below it."""
    assert cloud_factor(np.array([1.0]), np.array([1000.0])) == pytest.approx(np.exp(-1000 / 8200))
    low, high = 0.5 * np.exp(-500 / 8200), 1.0 * np.exp(-1000 / 8200)
    assert cloud_factor(np.array([0.5, 1.0]), np.array([500.0, 1000.0])) == pytest.approx(1 - (1 - low) * (1 - high))


def test_a_layer_that_adds_no_amount_adds_no_heat_and_none_means_clear():
    assert cloud_factor(np.array([0.5, 0.5]), np.array([500.0, 2000.0])) == cloud_factor(
        np.array([0.5, 0.2]), np.array([500.0, 2000.0])
    )
    assert cloud_factor(np.array([0.0, 0.0]), np.array([500.0, 2000.0])) == 0.0
    assert cloud_factor(np.array([1.0, 1.0]), np.array([0.0, 2000.0])) == pytest.approx(1.0)


def test_high_cloud_hardly_counts():
    heights = np.array([[300.0, 3999.0, 4001.0, 8000.0, 12_000.0]])
    factor = cloud_factor(np.ones_like(heights), heights)
    assert (np.diff(factor) < 0).all()
    assert factor[-1] < 0.05


@given(
    st.lists(st.tuples(st.floats(0, 1), st.floats(0, 12_000)), min_size=1, max_size=4),
    st.floats(-40, 30),
    st.floats(0.01, 1),
)
def test_no_sky_is_colder_than_clear_or_warmer_than_black(layers, air_c, humidity):
    amounts, heights = np.array(layers).T
    factor = cloud_factor(amounts, np.sort(heights))
    assert 0 <= factor <= 1
    e_hpa = humidity * over_water_hpa(air_c)
    clear, sky, black = (float(downwelling_w_m2(air_c + 273.15, e_hpa, k)) for k in (0.0, factor, 1.0))
    assert clear - 1e-9 <= sky <= black + 1e-9
    assert black == pytest.approx(STEFAN_BOLTZMANN_W_M2K4 * (air_c + 273.15) ** 4)


def test_okta_without_height():
    np.testing.assert_allclose(cloud_factor_from_okta(np.array([0, 4, 8])), [0, 0.225, 0.9])


def test_the_square_of_the_okta_is_nearer_than_published_forms():
    """By day at Lyngby: Crawford and Duchon 1999 (n), Unsworth and Monteith 1975 (0.84 n), no cloud at all."""
    okta, measured, air_k, e_hpa = days_by_okta(Table(DATA / "dtu_lyngby_10min_2024-10_2025-01.csv.gz"), None)

    def off(factor):
        return rmse(downwelling_w_m2(air_k, e_hpa, factor) - measured)

    chosen = off(cloud_factor_from_okta(okta))
    assert chosen < off(0.84 * okta / 8) < off(okta / 8) < off(0.0 * okta)
