"""The figures of a strip: its dotted line, the temperatures at the right end, how probable frost is at most."""

from __future__ import annotations

from datetime import datetime

from watcher.pictures.band_model import AHEAD, Band
from watcher.pictures.band_words import degrees
from watcher.pictures.strip_frame import BOTTOM, FOOT, SHOWN, TOP, Frame
from watcher.pictures.strip_lanes import width_of
from watcher.pictures.strip_lines import runs
from watcher.pictures.strip_sheet import REFERENCE
from watcher.pictures.svg import Svg, element, joined, text
from watcher.units import percent

_BASELINE = 7
# Of letters clear of a line that goes on behind them: over it, and under it.
_ABOVE, _BENEATH = 6, 21
_LINE = 21
# Below this the hill is too low to hold its figure. Common practice, no source.
_WORTH_SAYING = 0.1


def reference(frame: Frame, left: int) -> Svg:
    """Return the dotted line with its name: zero, or what stands for it where zero is far away."""
    at = frame.reference_c
    if at == 0:
        return element("use", href="#tb-z", x=left, y=frame.y(0))
    line = element("path", class_="tb-r", d=f"M{left} {frame.y(at)}h{SHOWN - REFERENCE}")
    return joined(
        (line, element("text", text(degrees(at)), class_="s e", x=left + SHOWN - 4, y=frame.y(at) + _BASELINE))
    )


def ends(band: Band, frame: Frame, left: int, now: datetime) -> Svg:
    """Return the two temperatures where their lines leave the strip or end.

    Beside a line that ends there is room at its height; along one that goes on its figure stands above or beneath it.
    """
    found = [(_last(band, name, now + AHEAD), kind) for name, kind in (("temp_c", None), ("frost_point_c", "q"))]
    right = left + SHOWN - REFERENCE
    known = []
    for last, kind in found:
        if last is not None:
            at, value = last
            words, x = degrees(value), frame.x(at) + 8
            fits = x + width_of(words) <= right
            off = _BASELINE if fits else _BENEATH if kind else -_ABOVE
            known.append((words, kind, x if fits else right, fits, frame.y(value) + off))
    heights = _apart([y for *_, y in known])
    drawn = []
    for (words, kind, x, fits, _), y in zip(known, heights, strict=True):
        name = " ".join(filter(None, ("" if fits else "e", kind)))
        drawn.append(element("text", text(words), class_=name or None, x=x, y=y))
    return joined(drawn)


def _last(band: Band, name: str, until: datetime) -> tuple[datetime, float] | None:
    """Return the last value of a line that is shown; only of what is expected: the row says what was reported."""
    shown = [reading for run in runs(band, name) for reading in run if reading[0] <= until]
    return shown[-1] if shown and shown[-1][0] > band.now else None


def _apart(heights: list[int]) -> list[int]:
    """Return the heights of the letters, air above frost point, a line apart and within the strip."""
    if len(heights) == 2 and heights[1] - heights[0] < _LINE:
        middle = sum(heights) // 2
        heights = [middle - _LINE // 2, middle + _LINE - _LINE // 2]
    over = max(0, heights[-1] - BOTTOM) if heights else 0
    under = max(0, TOP + 2 * _BASELINE - heights[0]) if heights else 0
    return [height - over + under for height in heights]


def summit(band: Band, frame: Frame, left: int, now: datetime) -> Svg:
    """Return how probable frost is at most from now on, written into the hill."""
    chances = [
        (point.p_active_frost, point.at)
        for point in band.expected
        if point.p_active_frost is not None and now <= point.at <= now + AHEAD
    ]
    most, at = max(chances, key=lambda item: item[0], default=(0.0, now))
    if most < _WORTH_SAYING:
        return Svg("")
    words, x = percent(most), frame.x(at) + 6
    fits = x + width_of(words) <= left + SHOWN
    return element("text", text(words), class_=None if fits else "e", x=x if fits else left + SHOWN - 4, y=FOOT - 3)
