"""The picture of a plan, read back: lanes in the order of the plan, times where the axis has them, nothing unmarked."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from functools import cache

import pytest

from tests.pictures.reading import SVG, assert_readable, labels, parsed, shapes, texts, titles
from tests.treatment.departing import OFF_BLOCK, after, fixed, option, planned, shipped
from watcher.pictures.plan_chart import plan_picture
from watcher.treatment.planned import Plan
from watcher.units import clock_z

WIDTHS = (960, 328)
RAIN = ("34008KT 3000 FZRA OVC012 M02/M03 Q1003", "1203/1218 34008KT 3000 FZRA OVC012 TX01/1212Z TNM03/1206Z")
FROST = ("00000KT CAVOK M02/M03 Q1003", "1203/1218 VRB02KT CAVOK TX01/1212Z TNM03/1206Z")


@cache
def plan(name: str = "snow") -> Plan:
    return {
        "snow": lambda: planned(at=shipped()),
        "out of season": lambda: planned(at=shipped(), training=False, ctot=after(35), tsat=after(5)),
        "freezing rain": lambda: planned(*RAIN),
        "frost with a slot": lambda: planned(*FROST, ctot=after(40)),
        "no weather": lambda: planned(None, None),
    }[name]()


NAMES = ("snow", "out of season", "freezing rain", "frost with a slot", "no weather")


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("width", WIDTHS)
def test_it_can_be_drawn_at_any_width_and_nothing_leaves_it(name, width):
    shown = plan_picture(plan(name), zone="Europe/Oslo", width=width, foot=("Planning aid. " * 10,))
    width, height = (float(side) for side in parsed(shown).get("viewBox").split()[2:])
    for label in labels(shown):
        assert -1 <= label.left <= label.right <= width + 1, label
        assert -1 <= label.top <= label.bottom <= height + 1, label


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("width", WIDTHS)
def test_no_word_lies_over_another(name, width):
    assert_readable(plan_picture(plan(name), zone="Europe/Oslo", width=width))


def test_every_place_says_call_verdict_take_off_and_both_waits():
    words = " ".join(texts(plan_picture(plan())))
    for each in plan().options:
        assert each.take_off is not None
        assert each.call_by is not None
        assert each.clocks is not None
        assert each.verdict is not None
        assert f"call by {clock_z(each.call_by)}" in words
        assert f"{clock_z(each.take_off.p50)} ({clock_z(each.take_off.p10)} to {clock_z(each.take_off.p90)})" in words
        assert each.verdict.value.replace("-", " ") in words
        for end in (each.clocks.engine_bleed_wait_ends, each.clocks.apu_bleed_wait_ends):
            assert end is None or f"wait ends {clock_z(end)}" in words


def test_the_lower_end_stands_where_the_axis_has_it():
    """Between two labelled times the place follows from theirs: linear, to a px."""
    shown = plan_picture(plan())
    placed = {
        label.words: (label.left + label.right) / 2
        for label in labels(shown)
        if label.words.endswith("0Z") and len(label.words) == 5
    }
    first, last = placed["0500Z"], placed["0600Z"]
    for bar, each in zip(shapes(shown, "lower"), plan().options, strict=True):
        clocks = each.clocks
        assert clocks is not None
        assert clocks.lower_ends_at is not None
        minutes = (clocks.lower_ends_at - OFF_BLOCK + timedelta(minutes=40)) / timedelta(minutes=1)
        assert float(bar.get("x")) + float(bar.get("width")) == pytest.approx(
            first + minutes / 60 * (last - first), abs=1.5
        )


def test_figures_of_old_tables_say_training_wherever_they_stand():
    words = texts(plan_picture(plan()))
    assert "training figures" in words[0]
    assert words.count("training") == len(plan().options)
    assert sum(word.endswith("training") and "Z to " in word for word in words) == len(plan().options)


def test_tables_out_of_season_give_no_bar_no_chance_and_no_verdict():
    shown = plan_picture(plan("out of season"))
    words = " ".join(texts(shown))
    assert shapes(shown, "lower") == []
    assert "within lower" not in words
    assert words.count("cannot be told") == 3
    assert words.count("no minutes: tables out of season") == 3


def test_where_no_holdover_time_exists_none_is_drawn():
    shown = plan_picture(plan("freezing rain"))
    assert shapes(shown, "lower") == []
    assert texts(shown).count("none exists") == 3
    assert texts(shown).count("does not fit") == 3


def test_tobt_tsat_and_ctot_are_marked_and_the_slot_shaded():
    shown = plan_picture(plan("out of season"))
    assert {"TOBT 0540Z", "TSAT 0545Z", "CTOT 0615Z"} <= set(texts(shown))
    assert len(shapes(shown, "slot")) == 1
    assert shapes(plan_picture(plan()), "slot") == []


def test_every_step_is_told_where_it_is_pointed_at():
    shown = titles(plan_picture(plan()))
    assert len(shown) == sum(len(each.stages) for each in plan().options)
    first = option(plan(), "stand").stages[0]
    assert shown[0] == f"{first.name} {clock_z(first.begins.p50)} to {clock_z(first.ends.p50)}"


def test_the_recommended_place_is_named_once():
    made = plan()
    assert made.choice is not None
    assert texts(plan_picture(made)).count("recommended") == 1
    assert f"recommended: {made.choice.place.value}" in parsed(plan_picture(made)).get("aria-label")


def test_a_place_that_treats_no_such_aircraft_says_so_in_a_line():
    sites = tuple(replace(site, sizes=frozenset() if site.place == "pad" else site.sizes) for site in fixed().sites)
    shown = plan_picture(planned(at=replace(fixed(), sites=sites)))
    assert "pad takes no medium aircraft." in texts(shown)
    assert len(shapes(shown, "head")) == 3
    none = tuple(replace(site, sizes=frozenset()) for site in fixed().sites)
    empty = plan_picture(planned(at=replace(fixed(), sites=none)))
    assert sum("takes no medium aircraft" in word for word in texts(empty)) == 3
    assert_readable(empty)


def test_a_hostile_flight_stays_a_text():
    shown = plan_picture(planned(name='"><svg onload=alert(1)>\x00\u202e'))
    parsed(shown)
    assert len(list(parsed(shown).iter(f"{SVG}svg"))) == 1
    assert "\x00" not in shown
