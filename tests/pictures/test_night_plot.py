"""The picture of a night, read back: what it says must be what the answer says, at every width."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.outlook.night.asking import EVENING, answer
from tests.outlook.night.test_any_night import TIMES, questions
from tests.pictures.reading import assert_readable, parsed, shapes, texts, titles
from watcher.outlook.night.ensemble import nights
from watcher.outlook.night.model import Night
from watcher.pictures.axis import TimeMark, nights_of
from watcher.pictures.colours import TOKENS, Theme
from watcher.pictures.night_plot import night_picture
from watcher.pictures.sheet import alone
from watcher.reports.station import Station

HERE = Station("XNOR", "Northby", None, 60.2, 11.1, 210.0, "Europe/Oslo")
WIDTHS = (960, 328)
CLEAR = ("00000KT CAVOK 04/00 Q1021", "1218/1318 VRB02KT 9999 FEW030 TNM03/1306Z TX06/1313Z")
WEATHER = {
    "clear": CLEAR,
    "snow": ("34008KT 3000 -SN OVC012 M00/M02 Q1003", "1218/1318 34008KT 3000 -SN OVC012 TX01/1312Z TNM03/1306Z"),
    "warm": ("24018KT 9999 OVC020 11/08 Q1011", None),
    "wet": ("24006KT 9999 RA OVC030 02/01 Q1011", "1218/1318 24004KT RA OVC030 FM122300 VRB02KT CAVOK TNM03/1306Z"),
    "deep cold": ("00000KT CAVOK M28/M31 Q1041", None),
}


@cache
def night(name: str = "clear", hours: float = 17) -> Night:
    return answer(*WEATHER[name], hours=hours)


def picture(of: Night | None = None, **rest) -> str:
    of = of or night()
    dark = nights_of(HERE, of.begins_at, of.ends_at)
    return night_picture(of, **{"zone": "Europe/Oslo", "dark": dark, **rest})


@pytest.mark.parametrize("name", WEATHER)
@pytest.mark.parametrize("width", WIDTHS)
def test_no_word_lies_over_another_in_any_weather(name, width):
    marks = [TimeMark(EVENING + timedelta(hours=11, minutes=40), "departs")]
    assert_readable(picture(night(name), width=width, marks=marks, foot=("Planning aid. " * 12,)))


def test_begin_end_and_the_end_of_the_deposit_are_told_with_the_doubt_about_them():
    part = night().worst
    words = " ".join(texts(picture()))
    for name, times in (("frost ends", part.end), ("deposit gone", part.deposit_end)):
        assert name in words
        assert times is not None
        assert f"{times.p50:%H%MZ} (" in words


def test_pointing_at_a_half_hour_shows_its_figures():
    shown = titles(picture())
    assert len(shown) == len(night().worst.steps)
    step = night().worst.steps[20]
    assert f"{step.at:%H%MZ} (" in shown[20]
    assert f"skin {step.skin_c.p50:.1f} °C" in shown[20]
    assert f"deposit {100 * step.p_deposit:.0f} %" in shown[20]


def test_times_are_in_z_with_the_local_ones_beneath_where_the_zone_is_known():
    """Europe/Oslo is an hour ahead of UTC in January (IANA time zone database)."""
    local, plain = texts(picture()), texts(picture(zone=None))
    assert "0000Z" in local
    assert "01:00" in local
    assert "Oslo" in local
    assert "0000Z" in plain
    assert not [word for word in plain if re.fullmatch(r"\d\d:\d\d", word)]
    assert texts(picture(zone="Not/A_Zone")) == plain


def test_the_sun_goes_down_and_comes_up_where_an_almanac_has_it():
    """At 60.2 N 11.1 E on 13 January 2026 the sun rises at 0807Z and sets at 1450Z: NOAA's published solar equations."""
    (one,) = nights_of(HERE, datetime(2026, 1, 12, 18, tzinfo=UTC), datetime(2026, 1, 13, 12, tzinfo=UTC))
    assert abs(one.ends_at - datetime(2026, 1, 13, 8, 7, tzinfo=UTC)) <= timedelta(minutes=12)
    assert len(shapes(picture(), "night")) == 1
    assert nights_of(replace(HERE, latitude_deg=None), EVENING, EVENING + timedelta(hours=12)) == ()


def test_a_chance_that_stays_under_one_percent_is_said_and_not_drawn():
    shown = picture()
    assert any(word.startswith("<1 % all night: ") and "precipitation" in word for word in texts(shown))
    assert shapes(shown, "precipitation") == []


def test_warm_air_is_not_said_to_be_frost_free_for_sure():
    words = texts(picture(night("warm")))
    assert "not expected" in words
    # The one zero is that of the scale.
    assert [word for word in words if re.search(r"(^|\D)0 %", word)] == ["0 %"]


def test_who_does_not_see_it_is_told_the_same():
    said = parsed(picture()).get("aria-label")
    assert said.startswith("XNOR wing,")
    assert f"chance of frost {100 * night().p_any:.0f} %" in said
    assert "coldest skin -" in said


def test_another_part_can_be_shown():
    shown = next(part for part in night().parts if part.part != night().worst_part)
    words = texts(picture(part=shown.part))
    assert words != texts(picture())
    assert not any("most likely" in word for word in words)


@pytest.mark.parametrize("width", WIDTHS)
def test_a_night_that_cannot_be_computed_says_why(width):
    unknown = answer(None)
    shown = picture(unknown, width=width)
    assert "cannot be computed" in " ".join(texts(shown))
    assert unknown.notes[0].split()[0] in " ".join(texts(shown))
    assert_readable(shown)


def test_a_hostile_name_stays_a_text():
    hostile = replace(night(), station='X"><script>alert(1)</script>')
    shown = picture(hostile, marks=[TimeMark(EVENING + timedelta(hours=3), "<b onclick=x>\x1b[2J\u202e")])
    assert "<script" not in shown
    assert "\x1b" not in shown
    assert any("<script>" in word for word in texts(shown))


@pytest.mark.parametrize("theme", [*Theme, None])
def test_alone_it_is_a_whole_document_in_its_own_colours(theme):
    shown = alone(picture(), theme)
    parsed(shown)
    if theme is None:
        assert "prefers-color-scheme" in shown
    else:
        assert "var(" not in shown
        assert "@media" not in shown
        assert TOKENS[theme]["paper"] in shown


@settings(max_examples=25, deadline=None)
@given(questions(), st.sampled_from(WIDTHS), st.none() | TIMES)
def test_any_night_gives_a_picture_that_can_be_read(asked, width, departs_at):
    (found,) = nights([asked], members=24)
    marks = [TimeMark(at, "departs") for at in (departs_at,) if at is not None]
    dark = nights_of(asked.station, found.begins_at, found.ends_at)
    assert_readable(night_picture(found, zone="Asia/Kolkata", dark=dark, marks=marks, width=width))
