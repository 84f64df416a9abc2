"""The sheet of the larger drawings: every colour is in the table and can be told from what it lies on."""

from __future__ import annotations

import re

import pytest
from lxml import etree

from tests.pictures.reading import parsed
from tests.pictures.test_night_plot import picture
from tests.pictures.vision import contrast
from watcher.pictures.colours import TOKENS, Theme
from watcher.pictures.sheet import alone, css, pair

# WCAG 2.2, 1.4.3 and 1.4.11. A ground of several: what is laid over what with which opacity, the lowest first.
PAPER, NIGHT = (("paper", 1.0),), (("night", 1.0),)
HILL = (*NIGHT, ("frost", 0.22))
TEXT = [
    *((words, PAPER) for words in ("ink", "soft", "frost", "residual", "precipitation", "treat")),
    ("treat", (("treat-ground", 1.0),)),
    ("ink", (("prepare-ground", 1.0),)),
    ("no-time", (("no-time-ground", 1.0),)),
]
DRAWN = [
    ("skin-edge", (("skin", 1.0),)),
    *((line, HILL) for line in ("ink", "residual", "precipitation", "frost")),
    ("frost", (*PAPER, ("frost", 0.22))),
    ("ink", (*PAPER, ("frost", 0.55))),
    ("treat", PAPER),
    ("prepare", (("prepare-ground", 1.0),)),
    ("edge", PAPER),
    ("frost", (*PAPER, ("frost", 0.13))),
]


def _over(ground, theme: Theme) -> str:
    below = (0.0, 0.0, 0.0)
    for name, opacity in ground:
        colour = TOKENS[theme][name]
        above = [int(colour[index : index + 2], 16) for index in (1, 3, 5)]
        below = tuple(opacity * a + (1 - opacity) * b for a, b in zip(above, below, strict=True))
    return "#" + "".join(f"{round(part):02x}" for part in below)


@pytest.mark.parametrize("theme", Theme)
@pytest.mark.parametrize(("words", "ground"), TEXT)
def test_words_can_be_read_on_what_they_stand(theme, words, ground):
    assert contrast(TOKENS[theme][words], _over(ground, theme)) >= 4.5


@pytest.mark.parametrize("theme", Theme)
@pytest.mark.parametrize(("line", "ground"), DRAWN)
def test_lines_can_be_told_from_what_they_lie_on(theme, line, ground):
    assert contrast(TOKENS[theme][line], _over(ground, theme)) >= 3


def test_every_colour_comes_from_the_table():
    used = set(re.findall(r"var\(--([a-z-]+)\)", css()))
    assert used <= set(TOKENS[Theme.LIGHT])
    assert not re.search(r"#[0-9a-f]{3,8}\b", css())


def test_the_rules_touch_nothing_but_these_drawings():
    selectors = re.findall(r"(?:^|[{}])([^{}@]+)\{", re.sub(r"@media[^{]+\{", "}", css()))
    assert selectors
    for selector in selectors:
        for one in selector.split(","):
            assert one.startswith(("svg.chart", ".chart-pair")), one


def test_every_class_that_is_drawn_has_a_rule():
    known = set(re.findall(r"\.([a-z-]+)", css()))
    drawn = {name for each in parsed(picture()).iter() for name in (each.get("class") or "").split()}
    assert drawn - known <= {"night-picture", "wide", "air-word", "deposit-word", "skin-word"}


def test_a_page_shows_the_layout_that_fits_its_screen():
    both = etree.fromstring(pair(picture(), picture(width=328)))
    assert [each.get("class").split()[-1] for each in both] == ["wide", "narrow"]


@pytest.mark.parametrize("text", ["", "hello", "<p>no</p>"])
def test_what_is_no_drawing_cannot_stand_alone(text):
    with pytest.raises(ValueError, match="no drawing"):
        alone(text, Theme.LIGHT)
