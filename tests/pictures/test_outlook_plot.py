"""The large picture of a station: readable in every scene and width, true to the band, and harmless with hostile text."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta

import pytest

from tests.pictures.reading import assert_readable, parsed, shapes, texts, titles
from tests.pictures.scenes import NOW, Scene, clear_night, freezing_rain, went_blind
from watcher.pictures.band import band_of
from watcher.pictures.outlook_plot import LEAST_AHEAD, MOST_AHEAD, ahead_of, outlook_picture
from watcher.pictures.outlook_values import readings_of, told

SCENES = {"freezing rain": freezing_rain, "clear night": clear_night, "blind": went_blind, "nothing known": Scene}


def picture(scene: Scene, width: int = 1000) -> str:
    ahead = ahead_of(scene.view.taf, scene.now)
    band = band_of(scene.view, scene.past, scene.ended, scene.policy, scene.now, ahead=ahead)
    return outlook_picture(band, scene.view.taf, zone=scene.station.zone, width=width)


@pytest.mark.parametrize("name", SCENES)
@pytest.mark.parametrize("width", [1000, 344])
def test_no_word_lies_over_another_and_nothing_stands_outside(name: str, width: int) -> None:
    assert_readable(picture(SCENES[name](), width))


def test_it_reaches_to_the_end_of_the_taf_and_30_hours_at_most() -> None:
    scene = clear_night()
    taf = scene.view.taf
    assert taf is not None
    assert taf.ends_at is not None
    assert ahead_of(None, NOW) == LEAST_AHEAD
    assert ahead_of(taf, NOW) == LEAST_AHEAD  # it ends at 1800Z, 13 hours ahead
    assert ahead_of(replace(taf, ends_at=NOW + timedelta(hours=24)), NOW) == timedelta(hours=24)
    assert ahead_of(replace(taf, ends_at=NOW + timedelta(hours=24.2)), NOW) == timedelta(hours=25)
    assert ahead_of(replace(taf, ends_at=NOW + timedelta(hours=40)), NOW) == MOST_AHEAD
    assert ahead_of(replace(taf, cancelled=True, ends_at=NOW + timedelta(hours=24)), NOW) == LEAST_AHEAD


def test_each_report_and_each_step_tells_its_figures() -> None:
    scene = clear_night()
    band = scene.band()
    told_ones = [told(reading, "Europe/Oslo") for reading in readings_of(band)]
    shown = titles(picture(scene))
    # The window begins 12 hours back and the band an hour before that.
    inside = [
        words
        for reading, words in zip(readings_of(band), told_ones, strict=True)
        if reading.at >= NOW - timedelta(hours=12)
    ]
    assert set(inside[:40]) <= set(shown)
    newest = scene.past[-1]
    assert (
        f"{newest.observed_at:%H%MZ} ({newest.observed_at + timedelta(hours=1):%H:%M} Europe/Oslo), report: air "
        in " ".join(shown)
    )
    assert any(re.search(r"frost forecast: air -?\d.*wing skin .* to .*, frost forms \d+ %", words) for words in shown)


def test_the_present_and_both_midnights_are_named() -> None:
    words = texts(picture(clear_night()))
    assert "now 0509Z" in words
    assert "11 Jan" in words
    assert "12 Jan" in words
    assert words.count("0 °C") == 0  # the zero of the scale stands without a unit, once
    assert words.count("0") == 1


def test_freezing_rain_stands_at_the_top_and_in_its_period_of_the_taf() -> None:
    drawn = picture(freezing_rain())
    assert "FZRA" in texts(drawn)
    assert any(words.startswith("FM -FZRA 3000 m OVC 600 ft") for words in texts(drawn))
    assert any("light freezing rain" in words for words in titles(drawn))
    assert shapes(drawn, "freezes")


def test_blind_time_is_hatched_and_named_and_the_line_is_parted() -> None:
    drawn = picture(went_blind())
    assert shapes(drawn, "blind-ground")
    assert "blind" in texts(drawn)
    line = shapes(drawn, "air")[0].get("d")
    assert line.count("M") >= 2, "a line over a gap would say what nobody saw"


def test_without_a_forecast_it_says_so_instead_of_drawing_zero() -> None:
    drawn = picture(Scene())
    words = texts(drawn)
    assert "No temperature is known." in words
    assert "no frost forecast" in words
    assert "no TAF" in words
    assert not shapes(drawn, "hill")


def test_hostile_names_and_codes_stay_text() -> None:
    scene = clear_night()
    band = replace(scene.band(), station='X"><script>', name="<b>")
    drawn = outlook_picture(band, scene.view.taf, zone='Europe/<i>"')
    assert parsed(drawn) is not None
    assert "<script>" not in drawn
