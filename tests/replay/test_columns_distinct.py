"""Distinct values and cases of columns: numpy's own answers, and every row comes back from its place."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.replay.columns import distinct
from watcher.replay.columns.distinct import distinct_cases, distinct_values, places_among

NUMBER = st.floats(-1e6, 1e6) | st.integers(-400, 400).map(lambda tenths: tenths / 10) | st.sampled_from([0.0, -0.0])


@given(st.lists(NUMBER, min_size=1))
def test_distinct_values_are_those_of_numpy_and_each_place_leads_back(drawn):
    values = np.array(drawn)
    found = distinct_values(values)
    assert np.array_equal(found, np.unique(values))
    assert np.array_equal(found[places_among(found, values)], values)


@given(st.lists(st.integers(-(2**62), 2**62), min_size=1))
def test_whole_numbers_lead_back_too(drawn):
    values = np.array(drawn)
    found = distinct_values(values)
    assert np.array_equal(found[places_among(found, values)], values)


def test_values_that_share_a_slot_are_still_told_apart(monkeypatch):
    monkeypatch.setattr(distinct, "_WIDEST", 3)
    values = np.random.default_rng(1).normal(size=500)
    found = distinct_values(values)
    assert np.array_equal(found[places_among(found, values)], values)


@pytest.mark.parametrize("most", [2**62, 50])
@pytest.mark.parametrize("seed", range(5))
def test_rows_of_one_case_are_alike_and_rows_of_two_are_not(seed, most, monkeypatch):
    """Also where the combinations would be too many to number, so that those that are there are numbered anew."""
    monkeypatch.setattr(distinct, "_MOST", most)
    rows = np.random.default_rng(seed).integers(-3, 4, size=(200, 4)) / 2
    examples, case = distinct_cases(list(rows.T))
    assert np.array_equal(rows[examples][case], rows)
    assert len(examples) == len(np.unique(rows, axis=0))
