"""The fuse: how far it has burnt, and what a script needs to burn it further."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.pictures.reading import assert_readable, parsed, shapes, texts
from watcher.pictures.fuse import fuse_picture
from watcher.treatment.clocks import Clocks
from watcher.treatment.planned import Moments
from watcher.treatment.protection import Standing

START = datetime(2026, 1, 12, 5, 15, tzinfo=UTC)


def after(minutes: float) -> datetime:
    return START + timedelta(minutes=minutes)


def clocks(standing=Standing.RUNNING, *, lower=16, upper=27, allowance=None, at=9.0, training=False) -> Clocks:
    ends = [None if minutes is None else after(minutes) for minutes in (lower, upper, allowance)]
    return Clocks(
        after(at), standing, lower, upper, allowance, *ends, after(3), after(8), None, (), False, START, training
    )


def fuse(take_off: tuple[float, float, float] | None = None, **rest) -> str:
    moments = None if take_off is None else Moments(*(after(minutes) for minutes in take_off))
    return fuse_picture(clocks(**rest), starts_at=START, take_off=moments)


def burnt(svg: str) -> float:
    (bar,) = (each for each in parsed(svg).iter() if each.get("id") == "fuse-burnt")
    return float(bar.get("height"))


def test_the_script_finds_its_times_in_epoch_milliseconds():
    root = parsed(fuse())
    assert int(root.get("data-starts")) == START.timestamp() * 1000
    assert int(root.get("data-lower")) - int(root.get("data-starts")) == 16 * 60_000
    assert int(root.get("data-upper")) - int(root.get("data-starts")) == 27 * 60_000


@given(st.floats(0, 40))
def test_what_is_drawn_is_what_the_documented_rule_gives(minutes):
    svg = fuse(at=minutes)
    root = parsed(svg)
    top, foot = float(root.get("data-top")), float(root.get("data-foot"))
    starts, upper = int(root.get("data-starts")), int(root.get("data-upper"))
    share = min(1.0, max(0.0, (after(minutes).timestamp() * 1000 - starts) / (upper - starts)))
    assert burnt(svg) == pytest.approx((foot - top) * share, abs=1)
    (now,) = (each for each in root.iter() if each.get("id") == "fuse-now")
    assert float(now.get("transform")[len("translate(0 ") : -1]) == pytest.approx(top + (foot - top) * share, abs=1)


def test_it_burns_one_way():
    heights = [burnt(fuse(at=minutes)) for minutes in range(0, 40, 3)]
    assert all(a <= b for a, b in pairwise(heights))
    assert heights[0] == 0
    assert heights[-1] == heights[-2]


def test_past_the_lower_end_it_says_so_to_the_page():
    assert "past" not in parsed(fuse(at=15.9)).get("class").split()
    assert "past" in parsed(fuse(at=16)).get("class").split()


def test_an_allowance_time_has_one_end():
    svg = fuse(standing=Standing.ALLOWANCE, lower=None, upper=None, allowance=25)
    assert parsed(svg).get("data-upper") is None
    assert "0540Z end" in texts(svg)
    assert parsed(svg).get("aria-label").startswith("Allowance time")


@pytest.mark.parametrize("standing", [each for each in Standing if each not in {Standing.RUNNING, Standing.ALLOWANCE}])
def test_without_minutes_nothing_burns_and_the_reason_stands_there(standing):
    svg = fuse(standing=standing, lower=None, upper=None)
    assert parsed(svg).get("data-lower") is None
    assert [each for each in parsed(svg).iter() if each.get("id") == "fuse-burnt"] == []
    assert texts(svg)
    assert_readable(svg)


@pytest.mark.parametrize("take_off", [None, (11, 14, 19), (22, 25, 35), (28, 34, 40), (1, 2, 3), (26, 27, 27)])
@pytest.mark.parametrize("ends", [(16, 27), (20, 20), (25, 27), (1, 300), (5, None)])
def test_no_word_lies_over_another(take_off, ends):
    assert_readable(fuse(take_off, lower=ends[0], upper=ends[1]))


def test_the_expected_take_off_stands_beside_the_bar():
    svg = fuse((11, 14, 19))
    assert "0529Z" in texts(svg)
    assert len(shapes(svg, "take-off")) == 1
    assert "take-off expected 0529Z, 0526Z to 0534Z" in parsed(svg).get("aria-label")


def test_figures_of_old_tables_say_training():
    assert parsed(fuse(training=True)).get("aria-label").endswith("training figures.")
    assert "training" in texts(fuse(training=True))
