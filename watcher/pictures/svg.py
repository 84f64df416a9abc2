"""Safe SVG text: what all drawings are built of. Texts come from anywhere, so nothing gets in unescaped."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Iterable, Sequence
from typing import NewType

Svg = NewType("Svg", str)
"""Text that is well-formed markup by construction: only this module makes it of anything else."""

Point = tuple[int, int]

_NAME = re.compile(r"[a-zA-Z][a-zA-Z0-9:-]*")
# Control and format characters (which can turn text around), surrogates, unassigned and private ones.
_UNSAFE = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
_ENTITIES = str.maketrans({"&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;", "'": "&#39;"})


def text(words: str) -> Svg:
    """Return a text as markup: on one line, escaped, without characters that XML or a reader cannot bear."""
    shown = "".join(" " if unicodedata.category(letter) in _UNSAFE else letter for letter in words)
    return Svg(" ".join(shown.split()).translate(_ENTITIES))


def number(value: float, places: int = 1) -> str:
    """Return a number as short as SVG takes it: ``1``, ``-0.5``, never ``-0``.

    Raises
    ------
    ValueError
        The number is not finite.
    """
    if not math.isfinite(value):
        raise ValueError(f"a drawing has no place for {value}")
    short = f"{value:.{places}f}"
    if "." in short:
        short = short.rstrip("0").rstrip(".")
    return "0" if short == "-0" else short


def element(name: str, *children: Svg, **attributes: str | float | None) -> Svg:
    """Return one element. Attributes: ``class_`` is class, ``stroke_width`` is stroke-width; None is left out.

    Raises
    ------
    ValueError
        A name that is no name, an attribute that would run a program, or a number that is not finite.
    """
    if not _NAME.fullmatch(name):
        raise ValueError(f'"{name}" is no element')
    written = "".join(_attribute(key, value) for key, value in attributes.items() if value is not None)
    inside = "".join(children)
    return Svg(f"<{name}{written}>{inside}</{name}>" if inside else f"<{name}{written}/>")


def joined(parts: Iterable[Svg]) -> Svg:
    """Return pieces of markup, one after another."""
    return Svg("".join(parts))


def way(points: Sequence[Point], *, closed: bool = False) -> str:
    """Return the path through whole-number points in relative steps, the shortest way to write it; "" for no point."""
    if not points:
        return ""
    x, y = points[0]
    parts = [f"M{x} {y}"]
    last = ""
    for next_x, next_y in points[1:]:
        step_x, step_y = next_x - x, next_y - y
        x, y = next_x, next_y
        if step_x == step_y == 0:
            continue
        command, figures = _step(step_x, step_y)
        parts.append(_after(last, command, figures))
        last = command
    return "".join(parts) + ("z" if closed else "")


def document(body: Svg, *, view: tuple[float, float, float, float], width_px: int, title: str, desc: str) -> Svg:
    """Return a drawing that stands alone. `view`: x, y, width and height of what is shown."""
    height_px = round(width_px * view[3] / view[2])
    return element(
        "svg",
        element("title", text(title), id="title"),
        element("desc", text(desc), id="desc"),
        body,
        xmlns="http://www.w3.org/2000/svg",
        role="img",
        viewBox=" ".join(number(side) for side in view),
        width=width_px,
        height=height_px,
        **{"aria-labelledby": "title desc"},
    )


def style(css: str) -> Svg:
    """Return a style element of our own rules.

    Raises
    ------
    ValueError
        The rules hold a "<" or "&": they are not ours.
    """
    if "<" in css or "&" in css:
        raise ValueError("style rules hold no markup")
    return Svg(f"<style>{css}</style>")


def _attribute(key: str, value: str | float) -> str:
    name = key.rstrip("_").replace("_", "-")
    if not _NAME.fullmatch(name) or name.lower().startswith("on"):
        raise ValueError(f'"{name}" is no attribute of a drawing')
    return f' {name}="{text(value) if isinstance(value, str) else number(value)}"'


def _step(step_x: int, step_y: int) -> tuple[str, tuple[int, ...]]:
    if step_y == 0:
        return "h", (step_x,)
    return ("v", (step_y,)) if step_x == 0 else ("l", (step_x, step_y))


def _after(last: str, command: str, figures: tuple[int, ...]) -> str:
    """Return a step as it is written after another: the same command is not repeated, a minus sign parts figures."""
    written = "".join(str(figure) if figure < 0 or not place else f" {figure}" for place, figure in enumerate(figures))
    if command != last:
        return command + written
    return written if figures[0] < 0 else f" {written}"
