"""Labels keep out of each other's way, and are no narrower than they are taken to be."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import isotonic_regression

from tests.pictures.reading import _measured
from watcher.pictures.labels import apart, breakable, cut_to, degrees, in_row, width_of

PLACES = st.lists(st.floats(-50, 400), min_size=1, max_size=8)


@given(PLACES, st.floats(1, 30))
def test_labels_never_touch_and_stay_inside_while_there_is_room(wanted, gap):
    found = apart(wanted, gap, 0, 300)
    assert all(b - a >= gap - 1e-6 for a, b in pairwise(sorted(found)))
    if gap * (len(wanted) - 1) <= 300:
        assert min(found) >= -1e-6
        assert max(found) <= 300 + 1e-6


@given(PLACES.map(sorted), st.floats(1, 30))
def test_labels_stand_as_near_to_their_places_as_least_squares_puts_them(wanted, size):
    """Against scipy.optimize.isotonic_regression, the pool-adjacent-violators algorithm of a general library."""
    low = -10_000.0
    before = [size * (number + 0.5) for number in range(len(wanted))]
    expected = isotonic_regression([wish - room for wish, room in zip(wanted, before, strict=True)]).x
    found = in_row(wanted, [size] * len(wanted), low, 10_000.0)
    assert found == pytest.approx([value + room for value, room in zip(expected, before, strict=True)], abs=1e-6)


@pytest.mark.parametrize("words", ["frost point -2.0 °C", "0130Z (0030Z to 0330Z)", "final application", "XNOR MWMW %"])
@pytest.mark.parametrize("bold", [False, True])
def test_a_text_takes_about_the_room_that_it_is_given(words, bold):
    true = _measured(words, bold) * 12
    assert 0.96 * true <= width_of(words, 12, bold=bold) <= 1.25 * true


def test_a_text_is_cut_or_broken_to_its_room():
    assert cut_to("prepare", 200, 12) == "prepare"
    assert cut_to("a very long name of a station", 80, 12).endswith("…")
    assert width_of(cut_to("a very long name of a station", 80, 12), 12) <= 80
    assert cut_to("prepare", 8, 12) == ""
    assert breakable("one two three four", 60, 12, most=2) == ["one two", "three fo…"]
    assert breakable("", 60, 12) == []


def test_a_negative_zero_loses_its_sign():
    assert degrees(-0.04) == "0.0 °C"
    assert degrees(-0.06) == "-0.1 °C"
