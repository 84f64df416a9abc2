"""The scores of four counts, against published examples and two libraries that know nothing of this project."""

from __future__ import annotations

import math

import numpy as np
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st
from scores.categorical import BinaryContingencyManager
from sklearn.metrics import confusion_matrix, precision_score, recall_score

from watcher.replay.scores.ratios import SCORES, FourCounts, ratio, standing_on

# J. P. Finley's tornado forecasts of 1884: the four counts, and some of their scores in words, stand at
# https://www.cawcr.gov.au/projects/verification/Finley/Finley_Tornados.html (Bureau of Meteorology, for the Joint Working
# Group on Forecast Verification Research): "72% of the forecasts" were false alarms, 23 % is the threat score, "52%" POD
# less POFD, and tornadoes were forecast "roughly twice" as often as they came.
FINLEY = FourCounts(hits=28, in_vain=72, misses=23, quiet=2680)
SAID_THERE = {"far": 0.72, "csi": 0.23}
# To more digits: memory, of A. H. Murphy, The Finley affair, Weather and Forecasting 11 (1996), and of D. S. Wilks,
# Statistical Methods in the Atmospheric Sciences, 2nd edition 2006, example 7.1. The library `scores` gives the same.
PUBLISHED = {"pod": 0.549, "far": 0.720, "pofd": 0.0262, "bias": 1.96, "csi": 0.228, "ets": 0.216, "hss": 0.355}
NAMES_THERE = {
    "pod": "probability_of_detection",
    "far": "false_alarm_ratio",
    "pofd": "probability_of_false_detection",
    "bias": "frequency_bias",
    "csi": "critical_success_index",
    "ets": "equitable_threat_score",
    "hss": "heidke_skill_score",
}

counts = st.integers(0, 10**7)


def array_of(four: tuple[int, int, int, int]) -> np.ndarray:
    return np.array(four, dtype=np.int64)


@pytest.mark.parametrize("name", list(SCORES))
def test_the_scores_of_finleys_tornadoes_are_the_published_ones(name: str):
    assert float(ratio(name, FINLEY.as_array())) == pytest.approx(
        PUBLISHED[name], abs=0.0051 if name == "bias" else 0.0006
    )


def test_the_scores_of_finleys_tornadoes_are_those_of_the_page_that_has_his_counts():
    found = {name: float(ratio(name, FINLEY.as_array())) for name in SCORES}
    assert {name: round(found[name], 2) for name in SAID_THERE} == SAID_THERE
    assert round(found["pod"] - found["pofd"], 2) == 0.52
    assert round(found["bias"]) == 2


def test_the_library_scores_gives_the_published_scores_of_finleys_tornadoes_too():
    warned = np.repeat([1.0, 1.0, 0.0, 0.0], [28, 72, 23, 2680])
    came = np.repeat([1.0, 0.0, 1.0, 0.0], [28, 72, 23, 2680])
    manager = BinaryContingencyManager(xr.DataArray(warned, dims="case"), xr.DataArray(came, dims="case")).transform()
    for name, there in NAMES_THERE.items():
        near = 0.0051 if name == "bias" else 0.0006
        assert float(getattr(manager, there)()) == pytest.approx(PUBLISHED[name], abs=near), name


@given(st.lists(st.tuples(st.booleans(), st.booleans()), min_size=1, max_size=60))
def test_they_are_those_of_the_library_scores(pairs: list[tuple[bool, bool]]):
    """Package `scores` (Bureau of Meteorology, Apache 2.0), BinaryContingencyManager."""
    warned, came = (np.array(column, dtype=float) for column in zip(*pairs, strict=True))
    manager = BinaryContingencyManager(xr.DataArray(warned, dims="case"), xr.DataArray(came, dims="case")).transform()
    table = manager.get_counts()
    four = array_of(tuple(int(table[name]) for name in ("tp_count", "fp_count", "fn_count", "tn_count")))
    for name, there in NAMES_THERE.items():
        expected = float(getattr(manager, there)())
        found = float(ratio(name, four))
        assert found == pytest.approx(expected) or not (math.isfinite(found) or math.isfinite(expected)), name


@given(st.lists(st.tuples(st.booleans(), st.booleans()), min_size=1, max_size=60))
def test_detection_is_recall_and_false_alarms_are_what_precision_lacks(pairs: list[tuple[bool, bool]]):
    """scikit-learn: confusion_matrix, recall_score, precision_score."""
    warned, came = zip(*pairs, strict=True)
    quiet, in_vain, misses, hits = (int(n) for n in confusion_matrix(came, warned, labels=[False, True]).ravel())
    four = FourCounts(hits, in_vain, misses, quiet).as_array()
    if hits + misses:
        assert float(ratio("pod", four)) == pytest.approx(recall_score(came, warned))
    if hits + in_vain:
        assert float(ratio("far", four)) == pytest.approx(1 - precision_score(came, warned))


@given(counts, counts, counts, counts)
def test_every_score_stays_within_its_bounds(a: int, b: int, c: int, d: int):
    four = array_of((a, b, c, d))
    for name in ("pod", "far", "pofd", "csi"):
        value = float(ratio(name, four))
        assert math.isnan(value) or 0 <= value <= 1
    for name, low in (("ets", -1 / 3), ("hss", -1.0)):
        value = float(ratio(name, four))
        assert math.isnan(value) or low - 1e-9 <= value <= 1 + 1e-9


@given(st.lists(st.tuples(counts, counts, counts, counts), min_size=1, max_size=5))
def test_many_tables_at_once_are_scored_as_one_by_one(tables: list[tuple[int, int, int, int]]):
    every = np.array(tables, dtype=np.int64)
    for name in SCORES:
        one_by_one = [float(ratio(name, array_of(four))) for four in tables]
        np.testing.assert_allclose(ratio(name, every), one_by_one)


def test_nothing_of_nothing_is_no_score():
    """0 / 0 is not defined; it is neither a perfect score nor none."""
    for name in SCORES:
        assert math.isnan(float(ratio(name, array_of((0, 0, 0, 0)))))


def test_what_a_score_rests_on_is_what_stands_beneath_its_line():
    found = {name: standing_on(name, FINLEY) for name in SCORES}
    assert found == {"pod": 51, "far": 100, "pofd": 2752, "bias": 51, "csi": 123, "ets": 123, "hss": 123}
