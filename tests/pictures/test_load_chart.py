"""The picture of the load, read back against the list that it is drawn from."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest

from tests.pictures.reading import assert_readable, parsed, shapes, texts, titles
from tests.treatment.test_morning import FROST, crowd, made
from watcher.pictures.load_chart import load_picture
from watcher.treatment.listed import HalfHour, Range

WIDTHS = (960, 328)


@cache
def load(kind: str) -> tuple[HalfHour, ...]:
    found = {"snow": lambda: made(*crowd(24)), "frost": lambda: made(*crowd(6), metar=FROST[0], taf=FROST[1])}
    return found[kind]().load


@pytest.mark.parametrize("kind", ["snow", "frost"])
@pytest.mark.parametrize("width", WIDTHS)
def test_no_word_lies_over_another(kind, width):
    assert_readable(load_picture(load(kind), zone="Europe/Oslo", width=width, training=True))


def test_a_full_half_hour_is_told_by_a_word_and_not_by_colour_alone():
    shown = load_picture(load("snow"))
    full = [half for half in load("snow") for busy, there in _both(half) if busy.p50 >= there]
    assert full
    assert len(shapes(shown, "over")) == len(full)
    assert texts(shown).count("full") == len(full)


def _both(half: HalfHour) -> tuple[tuple[Range, int], tuple[Range, int]]:
    return (half.bays_busy, half.bays), (half.rigs_busy, half.rigs)


def test_a_bar_is_as_high_as_the_share_that_is_busy():
    shown = load_picture(load("snow"))
    capacity, base = shapes(shown, "capacity")[0].get("d"), 56
    assert capacity.startswith("M")
    bars = [each for each in parsed(shown).iter() if each.get("class") in {"busy", "over"}]
    first = load("snow")[: len({half.begins_at for half in load("snow")})]
    for bar, half in zip(bars, first, strict=False):
        most = max(half.bays, *(other.bays_busy.p90 for other in first))
        assert float(bar.get("height")) == pytest.approx(base * half.bays_busy.p50 / most, abs=1.5)


def test_what_there_is_of_bays_and_rigs_stands_at_its_line():
    words = texts(load_picture(load("snow")))
    half = load("snow")[0]
    assert f"of {half.bays}" in words
    assert f"of {half.rigs}" in words


def test_pointing_at_a_half_hour_tells_everything_of_it():
    shown = titles(load_picture(load("snow")))
    assert len(shown) == len(load("snow"))
    assert "bays and" in shown[0]
    assert "longest wait" in shown[0]


def test_the_chance_of_old_tables_says_training():
    words = texts(load_picture(load("snow"), training=True))
    assert "past the lower end, training" in words


def test_a_chance_that_cannot_be_told_is_not_a_zero():
    unknown = [replace(half, p_broken=None) for half in load("snow")]
    shown = load_picture(unknown)
    assert texts(shown).count("-") >= len(unknown)
    assert "not known" in titles(shown)[0]


def test_a_morning_without_treatment_says_so():
    shown = load_picture(())
    assert texts(shown) == ["No treatment is expected in these hours."]
    assert_readable(shown)


def test_two_stations_are_two_pictures():
    with pytest.raises(ValueError, match="XBAY, XNOR"):
        load_picture([load("snow")[0], replace(load("snow")[0], station="XBAY")])
