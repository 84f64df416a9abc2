"""Intervals by drawing whole stations again, against scipy, which draws the same from the same seed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from watcher.replay.scores.bootstrap import LEAST_BLOCKS, Draws, draws, interval, resampled, weights, wilson
from watcher.replay.scores.estimate import LEAST_CASES, estimates, share
from watcher.replay.scores.ratios import ratio

RNG = np.random.default_rng(7)
SUMS = RNG.integers(1, 400, (30, 4))


@pytest.mark.parametrize("name", ["pod", "far", "csi", "ets", "hss"])
def test_an_interval_is_that_of_scipy(name: str):
    """scipy.stats.bootstrap, method percentile, the four counts of a station drawn together (paired)."""

    def score(a, b, c, d, axis=-1):
        return ratio(name, np.stack([each.sum(axis=axis) for each in (a, b, c, d)], axis=-1))

    there = stats.bootstrap(
        tuple(SUMS.T), score, n_resamples=500, paired=True, method="percentile", vectorized=True,
        rng=np.random.default_rng(3),
    ).confidence_interval  # fmt: skip
    drawn = Draws("stations", 30, weights(30, resamples=500, seed=3))
    values = resampled(SUMS, drawn)
    assert values is not None
    found = interval(ratio(name, values))
    assert found is not None
    assert (found.low, found.high) == pytest.approx((there.low, there.high))


def test_where_none_or_all_came_the_interval_is_wilsons():
    """Drawing again cannot doubt what never varied; scipy.stats.binomtest gives what independent cases would."""
    sums = np.array([[2, 0]] * 12)
    found = share(sums, draws(12, 3)).interval
    there = stats.binomtest(24, 24).proportion_ci(method="wilson")
    assert found is not None
    assert (found.low, found.high) == pytest.approx((there.low, there.high))
    other = wilson(3, 17)
    there = stats.binomtest(3, 17).proportion_ci(method="wilson")
    assert (other.low, other.high) == pytest.approx((there.low, there.high))


def test_stations_are_drawn_where_there_are_enough_else_months_else_nothing():
    assert draws(LEAST_BLOCKS, 1).kind == "stations"
    assert draws(1, LEAST_BLOCKS).kind == "months"
    none = draws(LEAST_BLOCKS - 1, LEAST_BLOCKS - 1)
    assert none.kind is None
    assert none.words.startswith("No intervals")
    assert share(np.array([[30, 10]]), none).interval is None


def test_the_same_seed_draws_the_same():
    assert np.array_equal(weights(40, resamples=20, seed=5), weights(40, resamples=20, seed=5))
    assert not np.array_equal(weights(40, resamples=20, seed=5), weights(40, resamples=20, seed=6))


def test_a_ratio_of_few_cases_has_no_value_and_keeps_its_counts():
    """Three of four is three of four, not 75 %."""
    found = share(np.array([[3, 1]] + [[0, 0]] * 11), draws(12, 12))
    assert (found.value, found.counted, found.of, found.interval) == (None, 3, 4, None)
    many = share(np.array([[LEAST_CASES, 0]] + [[0, 0]] * 11), draws(12, 12))
    assert many.value == 1.0


def test_a_score_that_most_draws_leave_undefined_has_no_interval():
    """All of it at one station of many: every third draw leaves that station out."""
    sums = np.zeros((30, 4), dtype=np.int64)
    sums[0] = (8, 2, 4, 0)
    found = estimates(sums, draws(30, 5))["pod"]
    assert found.value == pytest.approx(8 / 12)
    assert found.interval is None


@given(st.permutations(range(len(SUMS))))
def test_a_score_does_not_depend_on_the_order_of_stations(order: list[int]):
    drawn = draws(len(SUMS), 5, resamples=10)
    one, other = estimates(SUMS, drawn), estimates(SUMS[order], drawn)
    assert {name: found.value for name, found in one.items()} == {name: found.value for name, found in other.items()}


def test_sums_of_other_blocks_are_refused():
    with pytest.raises(ValueError, match="3 blocks are given, 30 are drawn"):
        resampled(np.ones((3, 4)), draws(30, 3))
