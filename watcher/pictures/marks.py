"""The marks of the levels as shapes; a mark never stands without its word.

A ring, a half filled lozenge, a filled lozenge, an octagon with a bar, three strokes: told apart without any colour,
and in a size of 12 pixels. The terminal has the same shapes as characters.
"""

from __future__ import annotations

from watcher.pictures.svg import Svg, element, joined
from watcher.rulebook.words import Level

BLIND = "blind"

_RING = element("circle", cx=12, cy=12, r=7.5, fill="none", stroke="currentColor", stroke_width=3)
_LOZENGE = "M12 1.5 22.5 12 12 22.5 1.5 12z"
_HALF = joined(
    (
        element("path", d=_LOZENGE, fill="none", stroke="currentColor", stroke_width=2.4, stroke_linejoin="round"),
        element("path", d="M12 1.5v21L1.5 12z", fill="currentColor"),
    )
)
_FULL = element("path", d=_LOZENGE, fill="currentColor", stroke="currentColor", stroke_width=1.5)
# The bar is a hole, so that the ground shows through whatever its colour.
_OCTAGON = element(
    "path",
    d="M7.4 1h9.2L23 7.4v9.2L16.6 23H7.4L1 16.6V7.4zM5.5 9.8v4.4h13V9.8z",
    fill="currentColor",
    fill_rule="evenodd",
)
_STROKES = element(
    "path", d="M2.5 13.5 12 3M5.5 20 19 5M13 21.5l8.5-9.5", fill="none", stroke="currentColor", stroke_width=3.2
)
_SHAPES = {
    Level.NOTE.word: _RING,
    Level.PREPARE.word: _HALF,
    Level.TREAT.word: _FULL,
    Level.NO_TIME.word: _OCTAGON,
    BLIND: _STROKES,
}


def shape(word: str) -> Svg:
    """Return the bare shape of a level or of ``blind``, in a field of 24 by 24.

    Raises
    ------
    ValueError
        There is no mark of that word.
    """
    if word not in _SHAPES:
        raise ValueError(f'"{word}" has no mark; the marks are {", ".join(_SHAPES)}')
    return _SHAPES[word]


def symbols() -> str:
    """Return the marks once, hidden: what every :func:`mark` of a page draws."""
    drawn = (element("symbol", mark, id=f"mark-{word}", viewBox="0 0 24 24") for word, mark in _SHAPES.items())
    return element("svg", element("defs", joined(drawn)), class_="marks", width=0, height=0, aria_hidden="true")


def mark(word: str) -> str:
    """Return the mark of a level or of ``blind`` in the colour of the text around it; the word stands beside it.

    Raises
    ------
    ValueError
        There is no mark of that word.
    """
    shape(word)
    drawn = element("use", href=f"#mark-{word}")
    return element("svg", drawn, class_=f"mark mark-{word}", viewBox="0 0 24 24", aria_hidden="true")


def css() -> str:
    """Return the rules of the marks: their size follows the text, their colour is the level's."""
    colours = "".join(
        f".mark-{word}{{color:var(--{'ink' if word == Level.NO_TIME.word else word})}}" for word in _SHAPES
    )
    return f".marks{{position:absolute}}.mark{{width:1.1em;height:1.1em;vertical-align:-.16em}}{colours}"
