"""The marks of the levels for templates; the word stands beside each."""

from __future__ import annotations

from markupsafe import Markup

from watcher.pictures.marks import shape
from watcher.pictures.svg import element


def level_mark(word: str) -> Markup:
    """Return the mark of a level or of ``blind`` as an inline drawing in the colour of the text around it."""
    # Drawn by ourselves; no text of anybody is in it.
    return Markup(element("svg", shape(word), viewBox="0 0 24 24", aria_hidden="true"))  # noqa: S704
