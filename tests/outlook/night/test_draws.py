"""The random numbers: the distributions they claim, correlated as claimed, and each station's own."""

from __future__ import annotations

import numpy as np
import pytest

from watcher.outlook.night.draws import MEMORY_H, Even, Noise, draws_of

KEYS = [f"X{number:03d}" for number in range(60)]
DRAWS = draws_of(KEYS, 200, 12.0)


def test_even_numbers_fill_every_slice_once():
    slices = np.sort((DRAWS.even * 200).astype(int), axis=-1)
    assert np.all(slices == np.arange(200))


def test_normal_numbers_have_no_mean_and_unit_spread():
    assert np.abs(DRAWS.normal.mean(axis=-1)).max() < 1e-6
    assert DRAWS.normal.std() == pytest.approx(1, abs=0.02)
    assert np.mean(np.abs(DRAWS.normal) > 1.96) == pytest.approx(0.05, abs=0.01)


def test_noise_forgets_as_claimed_at_any_time_between_hours():
    for hour in (0.0, 0.5, 3.25, 11.9):
        assert DRAWS.at(Noise.STRUCTURE, hour).std() == pytest.approx(1, abs=0.03)
    first, later = DRAWS.at(Noise.STRUCTURE, 2.0), DRAWS.at(Noise.STRUCTURE, 5.0)
    assert np.corrcoef(first.ravel(), later.ravel())[0, 1] == pytest.approx(np.exp(-3 / MEMORY_H), abs=0.04)


def test_kinds_and_stations_are_independent():
    flat = DRAWS.even.reshape(len(Even), -1)
    off = np.corrcoef(flat)[~np.eye(len(Even), dtype=bool)]
    assert np.abs(off).max() < 0.05
    stations = np.corrcoef(DRAWS.noise[Noise.TEMP, 3])[~np.eye(len(KEYS), dtype=bool)]
    assert stations.mean() == pytest.approx(0, abs=0.02)


def test_a_stations_numbers_depend_on_its_key_alone():
    alone = draws_of([KEYS[7]], 200, 12.0)
    assert np.array_equal(alone.even[:, 0], DRAWS.even[:, 7])
    assert np.array_equal(alone.noise[:, :, 0], DRAWS.noise[:, :, 7])


def test_a_longer_night_begins_with_the_same_numbers():
    longer = draws_of(KEYS[:3], 200, 20.0)
    assert np.array_equal(longer.noise[:, :13], DRAWS.noise[:, :, :3])


@pytest.mark.parametrize("members", [2, 3, 7, 201])
def test_any_number_of_members_is_served(members):
    found = draws_of(KEYS[:2], members, 0.0)
    assert found.even.shape[-1] == found.noise.shape[-1] == members
    assert np.isfinite(found.noise).all()
    assert DRAWS.at(Noise.CLOUD, 99.0).shape == (60, 200)
