"""The colours of every page and drawing: one table by name, for paper, for dark rooms and for night eyes.

The hues of levels and lines are those of the palette of Okabe and Ito [1]_, darkened or lightened until text reaches
4.5:1 and every line or edge that carries a meaning 3:1 against its ground (WCAG 2.2, success criteria 1.4.3, 1.4.11).
Colour comes third: a level is told by its word and its shape first. Even so the levels stay apart for readers who lack
one kind of cone, by lightness.

References
----------
.. [1] M. Okabe, K. Ito, Color Universal Design: how to make figures and presentations that are friendly to colorblind
   people, 2002, revised 2008.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType


class Theme(StrEnum):
    """One column of the table. Cockpit: near black with dimmed ink, for eyes that must see out afterwards."""

    LIGHT = "light"
    DARK = "dark"
    COCKPIT = "cockpit"


# Each name with its light, its dark and its cockpit colour.
_TABLE: dict[str, tuple[str, str, str]] = {
    # The page. `line` only parts what stands apart anyway; `edge` is the outline of what one can press or fill in.
    "paper": ("#f7f6f3", "#10161c", "#050708"),
    "raised": ("#ffffff", "#18212a", "#0d1114"),
    "ink": ("#17212b", "#e8ebee", "#c9c4ba"),
    "soft": ("#55616a", "#9aa6b0", "#8f8b84"),
    "line": ("#d9d6cf", "#2a333c", "#22282c"),
    "edge": ("#7d868d", "#6b7883", "#6d6a64"),
    "focus": ("#0062a3", "#7cc4f0", "#7fb6d6"),
    # The sky behind a drawing.
    "night": ("#e6e8ee", "#1a2430", "#0b1015"),
    # Lines, hills and bands. `skin` fills between the two `skin-edge`s; the lines run over it.
    "frost": ("#0062a3", "#7cc4f0", "#7fb6d6"),
    "skin": ("#c3e0f3", "#1f4560", "#17303f"),
    "skin-edge": ("#3182b7", "#4a96c6", "#47809f"),
    "residual": ("#00755a", "#5fe0b4", "#6aa088"),
    "precipitation": ("#7d2f66", "#d67db4", "#b06a95"),
    # Levels: ink of word and mark, ground of the block. No-time is the strongest contrast that the page has.
    "note": ("#55616a", "#9aa6b0", "#8f8b84"),
    "note-ground": ("#f7f6f3", "#10161c", "#050708"),
    "prepare": ("#8d5d00", "#ffebaa", "#e6d08f"),
    "prepare-ground": ("#fbe9b4", "#2c2408", "#201904"),
    "treat": ("#742300", "#ffa46e", "#e0925f"),
    "treat-ground": ("#f0a072", "#7c310c", "#61290b"),
    "no-time": ("#f7f6f3", "#10161c", "#050708"),
    "no-time-ground": ("#17212b", "#f4f6f8", "#d8d2c7"),
    "blind": ("#55616a", "#9aa6b0", "#8f8b84"),
}

TOKENS: Mapping[Theme, Mapping[str, str]] = MappingProxyType(
    {
        theme: MappingProxyType({name: row[column] for name, row in _TABLE.items()})
        for column, theme in enumerate((Theme.LIGHT, Theme.DARK, Theme.COCKPIT))
    }
)

_USE = re.compile(r"var\(--([a-z-]+)\)")


def tokens_css() -> str:
    """Return the style rules that name the colours, ``--paper`` and so on.

    The reader's system chooses light or dark; ``data-theme`` on the root element (light, dark, cockpit) overrules it.
    On paper they are the light ones, always.
    """
    light = _rule(":root", Theme.LIGHT)
    dark = _rule(":root", Theme.DARK)
    chosen = "".join(_rule(f'[data-theme="{theme}"]', theme) for theme in Theme)
    printed = _rule(":root,[data-theme]", Theme.LIGHT)
    return f"{light}@media (prefers-color-scheme:dark){{{dark}}}{chosen}@media print{{{printed}}}"


def resolved(css: str, theme: Theme) -> str:
    """Return style rules or markup with each ``var(--name)`` replaced by its colour, for programs that know no var.

    Raises
    ------
    KeyError
        A name that is not in the table.
    """
    tokens = TOKENS[theme]
    return _USE.sub(lambda found: tokens[found[1]], css)


def _rule(selector: str, theme: Theme) -> str:
    scheme = "light" if theme is Theme.LIGHT else "dark"
    names = "".join(f"--{name}:{colour};" for name, colour in TOKENS[theme].items())
    return f"{selector}{{color-scheme:{scheme};{names}}}"
