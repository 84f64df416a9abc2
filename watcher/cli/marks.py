"""The marks of the levels as characters, the shapes of the screens; plain letters where the terminal lacks them."""

from __future__ import annotations

import sys

from watcher.rulebook.words import Level

_SHAPES = {None: "·", Level.NOTE: "○", Level.PREPARE: "⬖", Level.TREAT: "◆", Level.NO_TIME: "⯃"}
_PLAIN = {None: ".", Level.NOTE: "o", Level.PREPARE: "<", Level.TREAT: "*", Level.NO_TIME: "#"}


def mark(level: Level | None) -> str:
    """Return the mark of a level; it never stands without the word."""
    shape = _SHAPES[level]
    try:
        shape.encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        return _PLAIN[level]
    return shape
