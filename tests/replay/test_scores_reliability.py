"""Probabilities against what came of them: Brier score and its parts, against scikit-learn and `scores`."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st
from scores.probability import brier_score, isotonic_fit
from sklearn.metrics import brier_score_loss

from tests.replay.own_frames import BEGIN, hourly, reports
from watcher.replay.scores.alerts import ALERTS, EXPECTED
from watcher.replay.scores.bootstrap import draws
from watcher.replay.scores.expected import FATES, Came
from watcher.replay.scores.reliability import STATED, brier, certainty_classes
from watcher.replay.scores.score import score
from watcher.replay.scores.subjects import subjects_of
from watcher.replay.scores.tally import tally
from watcher.rulebook.words import Certainty, Flag
from watcher.service.rules_folder import load_rulebook

BLOCKS = pl.Series("block", [f"X{number:03}" for number in range(12)])
DRAWN = draws(12, 1, resamples=200)
PROBABLE = st.sampled_from(list(STATED))


def fates(told: list[tuple[Certainty, bool]]) -> pl.DataFrame:
    rows = [
        (
            BLOCKS[number % 12], "snow", 3, certainty.value, BEGIN, BEGIN, BEGIN + timedelta(hours=6),
            (Came.CAME if came else Came.IN_VAIN).value, None,
        )
        for number, (certainty, came) in enumerate(told)
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=FATES, orient="row").with_columns(pl.col("station").alias("block"))


@given(st.lists(st.tuples(PROBABLE, st.booleans()), min_size=2, max_size=80))
def test_the_brier_score_is_that_of_two_libraries(told: list[tuple[Certainty, bool]]):
    """scikit-learn brier_score_loss; `scores` brier_score."""
    found = brier(fates(told), BLOCKS, DRAWN)
    assert found is not None
    p = np.array([STATED[certainty] for certainty, _ in told])
    came = np.array([float(came) for _, came in told])
    assert found.score == pytest.approx(brier_score_loss(came, p, pos_label=1))
    assert found.score == pytest.approx(float(brier_score(xr.DataArray(p, dims="n"), xr.DataArray(came, dims="n"))))


def test_a_flag_of_which_only_hits_are_known_makes_no_promise_look_kept():
    """Anti-icing warns of what no report tells, too: without snow it is not refuted, so its hits prove nothing either.

    By hand: 6 of 20 came that 30 % was said of, 0.3 * 0.7^2 + 0.7 * 0.3^2 = 0.21; scikit-learn says the same.
    """
    came = [number < 6 for number in range(20)]
    rows = [row for number, snows in enumerate(came)
            for row in hourly(f". . . {'SN' if snows else '.'} . . . . . .", station=f"X{number:03}")]  # fmt: skip
    told = [
        (
            f"X{number:03}", flag.value, 3, Certainty.PROBABILITY_30.value, BEGIN, BEGIN + timedelta(hours=2),
            BEGIN + timedelta(hours=5), None,
        )
        for number in range(20)
        for flag in (Flag.SNOW, Flag.ANTI_ICING_LIKELY)
    ]  # fmt: skip
    expected = pl.DataFrame(told, schema=EXPECTED, orient="row")
    nothing = pl.DataFrame(schema=ALERTS)
    found = score(tally(reports(rows), nothing, subjects_of(load_rulebook()), expected=expected))
    assert found.brier is not None
    assert (found.brier.alerts, found.brier.base_rate) == (20, pytest.approx(0.3))
    assert found.brier.score == pytest.approx(0.21)
    assert found.brier.score == pytest.approx(brier_score_loss(came, [0.3] * 20, pos_label=1))
    assert [(row.came.counted, row.came.of) for row in found.certainties] == [(6, 20)]
    rows_told = {row.flag: (row.came.counted, row.came.of, row.in_vain, row.not_reported) for row in found.expected}
    assert rows_told == {"snow": (6, 20, 14, 0), "anti-icing-likely": (6, 20, 0, 14)}


@given(st.lists(st.tuples(PROBABLE, st.booleans()), min_size=2, max_size=80))
def test_its_parts_add_up(told: list[tuple[Certainty, bool]]):
    """Murphy 1973: score = reliability - resolution + uncertainty, exactly where a class has one probability."""
    found = brier(fates(told), BLOCKS, DRAWN)
    assert found is not None
    assert found.score == pytest.approx(found.reliability - found.resolution + found.uncertainty)
    assert min(found.reliability, found.resolution, found.uncertainty) >= 0


def test_the_diagram_is_the_regression_of_the_library_where_that_need_not_pool():
    """`scores` isotonic_fit: where rates rise with the probability, its values are the rates of the classes."""
    told = [(Certainty.PROBABILITY_30, number < 4) for number in range(20)]
    told += [(Certainty.PROBABILITY_40, number < 13) for number in range(25)]
    p, came = np.array([STATED[certainty] for certainty, _ in told]), np.array([float(came) for _, came in told])
    there = isotonic_fit(p, came)
    rates = dict(zip(there["fcst_sorted"], there["regression_values"], strict=True))
    found = {row.stated: row.came.value for row in certainty_classes(fates(told), BLOCKS, DRAWN)}
    assert found == pytest.approx({0.3: rates[0.3], 0.4: rates[0.4]})


def test_what_states_no_probability_is_a_class_of_its_own_and_in_no_brier_score():
    """TEMPO without PROB and what prevails promise no figure: how often they came is told, and nothing is scored."""
    told = [(Certainty.TEMPORARY, number < 6) for number in range(12)] + [(Certainty.PREVAILING, True)] * 12
    classes = certainty_classes(fates(told), BLOCKS, DRAWN)
    assert [(row.certainty, row.stated, row.came.counted, row.came.of) for row in classes] == [
        ("prevailing", None, 12, 12),
        ("temporary", None, 6, 12),
    ]
    assert brier(fates(told), BLOCKS, DRAWN) is None
