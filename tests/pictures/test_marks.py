"""Levels are told apart by shape alone."""

from __future__ import annotations

import unicodedata

import pytest
from lxml import etree

from watcher.cli.marks import _SHAPES
from watcher.pictures.marks import BLIND, css, mark, shape, symbols
from watcher.rulebook.words import Level

WORDS = [*(level.word for level in Level), BLIND]


def test_every_level_and_blindness_has_a_shape_of_its_own():
    assert len({shape(word) for word in WORDS}) == len(WORDS)


@pytest.mark.parametrize("word", WORDS)
def test_a_mark_draws_its_symbol_in_the_colour_of_the_text(word):
    page = etree.fromstring(f"<body>{symbols()}{mark(word)}</body>")
    used = page.find("svg/use").get("href")
    drawn = page.find(f".//symbol[@id='{used[1:]}']")
    assert drawn is not None
    inks = {node.get(name) for node in drawn.iter() for name in ("fill", "stroke")} - {None, "none"}
    assert inks == {"currentColor"}
    assert f".mark-{word}{{" in css()


def test_the_terminal_shows_the_same_shapes():
    names = {level.word: unicodedata.name(_SHAPES[level]) for level in Level}
    assert "CIRCLE" in names["note"]
    assert "DIAMOND WITH LEFT HALF BLACK" in names["prepare"]
    assert "BLACK DIAMOND" in names["treat"]
    assert "OCTAGON" in names["no-time"]
    assert "<circle" in shape("note")
    assert shape("prepare").count("<path") == 2
    assert shape("treat").count("<path") == 1


def test_a_word_without_a_mark_is_refused_with_those_that_have_one():
    with pytest.raises(ValueError, match="note, prepare, treat, no-time, blind"):
        mark("hold")
