"""The way of the temperature between what is given, and where nothing is."""

from __future__ import annotations

import numpy as np
import pytest

from watcher.outlook.night.temperature import Anchor, heat_balance, path_of

HOURS = np.arange(0, 15.01, 0.5)
NIGHT = np.ones(len(HOURS), dtype=bool)


def test_it_passes_through_what_is_given_and_is_free_after_it():
    path = path_of(HOURS, Anchor(0, 2), (), [Anchor(10, -5, lowest=True)], NIGHT)
    assert path.base_c[0] == 2
    assert path.base_c[20] == -5
    assert path.base_c[-1] == -5
    assert path.free.tolist() == [False] * 21 + [True] * 10
    assert path.kept[0] == 1
    assert path.kept[20] == 0
    assert np.all(np.diff(path.base_c[:21]) < 0)


def test_it_falls_faster_in_the_evening_than_towards_the_morning():
    path = path_of(HOURS, Anchor(0, 2), (), [Anchor(10, -5, lowest=True)], NIGHT)
    assert path.base_c[10] < (2 - 5) / 2


def test_it_rises_by_a_sine_after_the_lowest():
    path = path_of(HOURS, Anchor(0, 2), (), [Anchor(8, -5, lowest=True), Anchor(14, 3)], NIGHT)
    assert path.base_c[28] == pytest.approx(3)
    assert path.base_c[22] == pytest.approx(-5 + 8 * np.sin(np.pi / 4))


def test_a_highest_temperature_beyond_a_night_without_a_lowest_is_no_help():
    path = path_of(HOURS, Anchor(0, 2), (), [Anchor(14, 6)], NIGHT)
    assert np.all(path.base_c == 2)
    assert path.free[1:].all()


def test_in_the_afternoon_the_fall_waits_for_the_evening():
    dark = HOURS >= 6
    path = path_of(HOURS, Anchor(0, 4), (), [Anchor(14, -4, lowest=True)], dark)
    assert np.all(path.base_c[HOURS <= 3] == 4)
    assert path.base_c[HOURS == 6][0] < 4


def test_past_reports_are_followed():
    hours = np.arange(-3, 1.01, 0.5)
    path = path_of(hours, Anchor(-0.2, 1), [Anchor(-3, 4), Anchor(-1.2, 2)], (), None)
    assert np.interp(-3, hours, path.base_c) == 4
    assert path.base_c[hours == -1.0] == pytest.approx(1.8)
    assert path.base_c[-1] == 1


def test_a_night_of_a_day_falls_and_a_polar_night_does_not():
    sun = np.full((len(HOURS), 3), -20.0)
    sun[:, 2] = np.nan
    balance = heat_balance(HOURS, sun, np.array([2.0, np.inf, 1.0]))
    assert balance.fall[0].tolist() == [0, 0, 0]
    assert balance.fall[1:29, 0].min() > 0
    assert np.all(np.diff(balance.fall[1:29, 0]) < 0)
    assert balance.fall[:, 0].sum() == pytest.approx(16**0.66 - 2**0.66)
    assert np.all(balance.fall[:, 1] == 0)
    assert balance.fall[:, 2].sum() > 0
    assert np.all(balance.rise == 0)


def test_it_warms_only_while_the_sun_climbs():
    sun = 30 * np.sin((HOURS - 3) * np.pi / 12)[:, None]
    balance = heat_balance(HOURS, sun, np.array([5.0]))
    assert np.all(balance.rise[HOURS <= 3] == 0)
    assert np.all(balance.rise[(HOURS > 3.5) & (HOURS <= 9)] > 0)
    assert np.all(balance.rise[HOURS > 9] == 0)
    assert np.all(balance.fall[HOURS > 3] == 0)
