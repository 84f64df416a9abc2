"""Every text can be read and every line be seen, in each theme and by readers who lack one kind of cone."""

from __future__ import annotations

import re
from itertools import combinations

import pytest

from tests.pictures.vision import SIMULATIONS, contrast, distance, lab, seen
from watcher.pictures.colours import TOKENS, Theme, resolved, tokens_css
from watcher.pictures.strip import css

# WCAG 2.2, success criterion 1.4.3: 4.5 for text; 1.4.11: 3 for what is needed to understand a drawing or a control.
TEXT = [
    *(
        ("ink", ground)
        for ground in ("paper", "raised", "night", "skin", "note-ground", "prepare-ground", "treat-ground")
    ),
    *(("soft", ground) for ground in ("paper", "raised", "night")),
    *((level, ground) for level in ("note", "prepare", "treat", "blind") for ground in ("paper", "raised", "night")),
    *((level, f"{level}-ground") for level in ("note", "prepare", "treat", "no-time")),
    ("frost", "paper"),
    ("frost", "night"),
]
DRAWN = [
    *((line, ground) for line in ("frost", "skin-edge", "residual", "precipitation") for ground in ("paper", "night")),
    *((mark, ground) for mark in ("ink", "soft", "no-time-ground", "blind") for ground in ("paper", "night")),
    ("frost", "skin"),
    ("ink", "skin"),
    ("edge", "paper"),
    ("edge", "raised"),
    ("focus", "paper"),
    ("focus", "raised"),
]
# CIEDE2000: 1 is just noticed side by side. Ten is told apart at a glance and from memory, the least for what asks for
# another action; six is enough for lines that carry their name. Common practice, no source.
APART = {
    ("note-ground", "prepare-ground", "treat-ground", "no-time-ground"): 10.0,
    ("note", "prepare", "treat", "ink"): 10.0,
    ("frost", "residual", "precipitation", "ink"): 6.0,
}


@pytest.mark.parametrize("theme", Theme)
@pytest.mark.parametrize(("words", "ground"), TEXT)
def test_text_stands_out_from_its_ground(theme, words, ground):
    assert contrast(TOKENS[theme][words], TOKENS[theme][ground]) >= 4.5


@pytest.mark.parametrize("theme", Theme)
@pytest.mark.parametrize(("line", "ground"), DRAWN)
def test_what_carries_a_meaning_stands_out_from_its_ground(theme, line, ground):
    assert contrast(TOKENS[theme][line], TOKENS[theme][ground]) >= 3


@pytest.mark.parametrize("theme", Theme)
@pytest.mark.parametrize("sight", [None, *SIMULATIONS])
@pytest.mark.parametrize("names", APART, ids=lambda names: names[0])
def test_levels_and_lines_stay_apart_for_every_sight(theme, sight, names):
    colours = {name: lab(seen(TOKENS[theme][name], sight)) for name in names}
    for one, other in combinations(names, 2):
        assert distance(colours[one], colours[other]) >= APART[names], (one, other)


def test_no_time_has_the_strongest_contrast_of_all_levels():
    for theme in Theme:
        tokens = TOKENS[theme]
        others = [contrast(tokens[f"{level}-ground"], tokens["paper"]) for level in ("note", "prepare", "treat")]
        assert contrast(tokens["no-time-ground"], tokens["paper"]) > max(others) * 2


def test_the_formulas_of_this_check_give_their_published_values():
    # WCAG 2.2: black on white is 21:1. Sharma, Wu and Dalal 2005, table 1, pairs 1, 17, 24 and 34.
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    for one, other, expected in (
        ((50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425),
        ((50, 2.5, 0), (73, 25, -18), 27.1492),
        ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
        ((2.0776, 0.0795, -1.1350), (0.9033, -0.0636, -0.5514), 0.9082),
    ):
        assert distance(one, other) == pytest.approx(expected, abs=1e-4)
    # Machado, Oliveira and Fernandes 2009: each row adds up to one, so that grey stays grey.
    for matrix in SIMULATIONS.values():
        assert all(sum(row) == pytest.approx(1, abs=2e-6) for row in matrix)


def test_the_reader_chooses_a_theme_and_paper_is_always_light():
    rules = tokens_css()
    for theme in Theme:
        assert f'[data-theme="{theme}"]' in rules
        assert f"--paper:{TOKENS[theme]['paper']};" in rules
    assert rules.index("prefers-color-scheme:dark") < rules.index('[data-theme="light"]')
    assert rules.endswith("}}")
    assert rules.count("{") == rules.count("}")
    assert f"@media print{{:root,[data-theme]{{color-scheme:light;--paper:{TOKENS[Theme.LIGHT]['paper']}" in rules


def test_every_colour_that_a_strip_asks_for_is_in_the_table():
    names = set(re.findall(r"var\(--([a-z-]+)\)", css()))
    assert {"ink", "frost", "treat-ground"} <= names <= set(TOKENS[Theme.LIGHT])


@pytest.mark.parametrize("theme", Theme)
def test_a_program_that_knows_no_variables_gets_the_colours_themselves(theme):
    rules = resolved(css(), theme)
    assert "var(" not in rules
    assert TOKENS[theme]["frost"] in rules


def test_an_unknown_colour_is_refused():
    with pytest.raises(KeyError):
        resolved("fill:var(--mauve)", Theme.LIGHT)
