"""The marks of the levels as characters, the shapes of the screens; plain letters where the terminal lacks them."""

from __future__ import annotations

import sys
import unicodedata

from watcher.rulebook.words import Level

_SHAPES = {None: "·", Level.NOTE: "○", Level.PREPARE: "⬖", Level.TREAT: "◆", Level.NO_TIME: "⯃"}
_PLAIN = {None: ".", Level.NOTE: "o", Level.PREPARE: "<", Level.TREAT: "*", Level.NO_TIME: "#"}
# "°C" is read as "C".
_LEFT_OUT = frozenset("°")


def mark(level: Level | None) -> str:
    """Return the mark of a level; it never stands without the word."""
    return _SHAPES[level] if has(_SHAPES[level]) else _PLAIN[level]


def has(text: str) -> bool:
    """Return whether the terminal has every character of a text."""
    try:
        text.encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        return False
    return True


def shown(text: str) -> str:
    """Return a text in the characters that the terminal has: letters lose their accents, and a degree sign goes."""
    return text if has(text) else "".join(letter if has(letter) else _plain(letter) for letter in text)


def _plain(letter: str) -> str:
    bare = "".join(part for part in unicodedata.normalize("NFKD", letter) if part.isascii())
    return bare if bare or letter in _LEFT_OUT else "?"
