"""Reads a drawing back as a program of its own would: parsed by lxml (libxml2), its texts with the room they take."""

from __future__ import annotations

import io
import itertools
import re
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from fontTools.ttLib import TTFont
from lxml import etree

SVG = "{http://www.w3.org/2000/svg}"
_SIZES = {"head": 15.0, "big": 20.0, "small": 11.0, "level-word": 13.0, "taf-word": 11.5}


@dataclass(frozen=True)
class Label:
    words: str
    left: float
    right: float
    top: float
    bottom: float


def parsed(svg: str) -> etree._Element:
    """Return the drawing; nothing in it runs, loads or refers to anything."""
    root = etree.fromstring(svg.encode())
    assert root.tag == f"{SVG}svg"
    for each in root.iter():
        assert etree.QName(each).localname in {"svg", "g", "path", "rect", "circle", "text", "title", "style"}
        for name, value in each.attrib.items():
            assert not name.lower().startswith("on")
            assert name not in {"style", "href"}
            assert "url(" not in value
    return root


def texts(svg: str) -> list[str]:
    return ["".join(each.itertext()) for each in parsed(svg).iter(f"{SVG}text")]


def titles(svg: str) -> list[str]:
    return ["".join(each.itertext()) for each in parsed(svg).iter(f"{SVG}title")]


def shapes(svg: str, shown: str) -> list[etree._Element]:
    """Return what is drawn in a class."""
    return [each for each in parsed(svg).iter() if shown in (each.get("class") or "").split()]


def labels(svg: str) -> list[Label]:
    """Return the texts with the room that they take in the fonts that come along."""
    found = []
    for each in parsed(svg).iter(f"{SVG}text"):
        names = (each.get("class") or "").split()
        size = next((_SIZES[name] for name in names if name in _SIZES), 14.0 if _is_fuse(svg) else 12.0)
        bold = bool({"head", "bold", "big", "level-word"} & set(names))
        words = "".join(each.itertext())
        width = _measured(words, bold) * size
        x, y = float(each.get("x")), float(each.get("y"))
        left = x - {"middle": width / 2, "end": width}.get(each.get("text-anchor"), 0)
        found.append(Label(words, left, left + width, y - 0.75 * size, y + 0.2 * size))
    return found


def _is_fuse(svg: str) -> bool:
    return "chart fuse" in svg[:200]


@cache
def _widths(bold: bool) -> tuple[dict[int, float], float]:
    file = files("watcher.pictures").joinpath("fonts", f"hoarline-sans-{'bold' if bold else 'regular'}.ttf")
    font = TTFont(io.BytesIO(file.read_bytes()))
    em = font["head"].unitsPerEm
    return {code: font["hmtx"][name][0] / em for code, name in font.getBestCmap().items()}, 0.6


def _measured(words: str, bold: bool) -> float:
    widths, other = _widths(bold)
    return sum(widths.get(ord(letter), other) for letter in words)


def size(svg: str) -> tuple[float, float]:
    view = parsed(svg).get("viewBox").split()
    return float(view[2]), float(view[3])


def assert_readable(svg: str) -> None:
    """No text lies over another, and nothing stands outside of the drawing."""
    width, height = size(svg)
    found = labels(svg)
    for label in found:
        assert label.left >= -1, label
        assert label.right <= width + 1, label
        assert label.top >= -1, label
        assert label.bottom <= height + 1, label
    for one, other in itertools.combinations(found, 2):
        apart = one.right <= other.left + 1 or other.right <= one.left + 1
        assert apart or one.bottom <= other.top + 1 or other.bottom <= one.top + 1, (one, other)
    for each in parsed(svg).iter(f"{SVG}rect", f"{SVG}circle"):
        if each.get("transform") is None and not _is_moved(each):
            assert_inside(each, width, height)
    for each in parsed(svg).iter(f"{SVG}path"):
        if not _is_moved(each):
            assert_first_point_inside(each, width, height)


def _is_moved(each: etree._Element) -> bool:
    return any(parent.get("transform") for parent in each.iterancestors())


def assert_inside(each: etree._Element, width: float, height: float) -> None:
    box = {name: float(each.get(name, 0)) for name in ("x", "y", "width", "height", "cx", "cy", "r")}
    assert box["width"] >= 0
    assert box["height"] >= 0
    assert -1 <= box["x"] <= box["x"] + box["width"] <= width + 1, etree.tostring(each)
    assert -1 <= box["y"] <= box["y"] + box["height"] <= height + 1, etree.tostring(each)
    assert box["cx"] <= width
    assert box["cy"] <= height


def assert_first_point_inside(each: etree._Element, width: float, height: float) -> None:
    for x, y in re.findall(r"M(-?[\d.]+) (-?[\d.]+)", each.get("d")):
        assert -1 <= float(x) <= width + 1, each.get("d")
        assert -1 <= float(y) <= height + 1, each.get("d")
