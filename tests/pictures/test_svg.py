"""No text and no number can break a drawing."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from watcher.pictures.svg import document, element, number, style, text, way


@given(st.text())
def test_any_text_is_harmless_and_stays_what_it_says(words):
    drawn = etree.fromstring(element("text", text(words), class_=words or None))
    assert drawn.tag == "text"
    assert len(drawn) == 0
    assert set((drawn.text or "").split()) <= set(
        "".join(" " if not letter.isprintable() else letter for letter in words).split()
    )


def test_markup_in_a_text_is_shown_and_not_obeyed():
    drawn = element("text", text('</text><script>alert("x")</script>'), class_='"><b>')
    assert "<script" not in drawn
    assert etree.fromstring(drawn).text == '</text><script>alert("x")</script>'


def test_characters_that_turn_text_around_or_that_xml_forbids_are_gone():
    assert text("XN\x00OR\u202e evil\ufffe\u2066") == "XN OR evil"


@given(st.floats(-1e6, 1e6))
def test_a_number_is_short_and_near(value):
    assert float(number(value)) == pytest.approx(value, abs=0.0501)
    assert number(value) != "-0"


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_what_is_no_place_is_refused(value):
    with pytest.raises(ValueError, match="no place"):
        number(value)


def test_nothing_that_runs_a_program_gets_in():
    with pytest.raises(ValueError, match="onload"):
        element("svg", onload="x")
    with pytest.raises(ValueError, match="no element"):
        element("a b")
    with pytest.raises(ValueError, match="no attribute"):
        element("a", **{'x" y': "z"})
    with pytest.raises(ValueError, match="markup"):
        style("</style><script>")


def _walked(d: str) -> list[tuple[int, int]]:
    """Return the points of a path, read by the grammar of SVG 1.1, section 8.3, for M, l, h, v and z."""
    import re

    points, x, y, command = [], 0, 0, ""
    figures = re.findall(r"[Mlhvz]|-?\d+", d)
    while figures:
        if figures[0].isalpha():
            command = figures.pop(0)
            if command == "z":
                continue
        first = int(figures.pop(0))
        if command == "M":
            x, y = first, int(figures.pop(0))
        elif command == "h":
            x += first
        elif command == "v":
            y += first
        else:
            x, y = x + first, y + int(figures.pop(0))
        points.append((x, y))
    return points


@given(st.lists(st.tuples(st.integers(-2000, 2000), st.integers(-200, 200)), min_size=1))
def test_a_way_leads_through_its_points(points):
    without_repeats = [point for index, point in enumerate(points) if index == 0 or point != points[index - 1]]
    assert _walked(way(points)) == without_repeats


def test_a_closed_way_ends_where_it_began_and_no_point_gives_no_way():
    assert way([(0, 0), (5, -3), (10, -3)], closed=True) == "M0 0l5-3h5z"
    assert way([]) == ""


def test_a_drawing_that_stands_alone_has_a_name_and_a_description():
    drawn = etree.fromstring(document(element("g"), view=(0, 0, 100, 50), width_px=300, title="A & B", desc="<c>"))
    names = {child.tag.rpartition("}")[2]: child.text for child in drawn}
    assert (names["title"], names["desc"]) == ("A & B", "<c>")
    assert (drawn.get("width"), drawn.get("height"), drawn.get("role")) == ("300", "150", "img")
