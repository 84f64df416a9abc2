"""Where things stand in a strip: time to the right, temperature upwards, everything in whole units.

One hour is 48 units and the strip 152 units high, two units to a pixel in a row of the board.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import ceil, floor

from watcher.pictures.band_model import AHEAD, BEHIND, Band
from watcher.pictures.svg import Point

UNIT = timedelta(seconds=75)
SHOWN = (BEHIND + AHEAD) // UNIT
NOW = BEHIND // UNIT
HEIGHT = 152
LETTERS = 20
# From above: the codes of the weather, the temperatures, the hill of frost, the blocks of levels.
TOP, BOTTOM = 28, 102
HILL, FOOT = 18, 122
BLOCK_TOP, BLOCK_BOTTOM = 126, 150

# Most stations on an icy morning fit, and then the zero line of all rows is at the same height.
_USUAL_TOP_C, _USUAL_SPAN_C, _SHIFT_C = 5, 15, 5


@dataclass(frozen=True, slots=True)
class Frame:
    """The place of times and temperatures. `width`: of all that is drawn, the margins with it."""

    begins_at: datetime
    width: int
    top_c: int
    span_c: int

    def x(self, at: datetime) -> int:
        """Return the place of a time, at the edge for one beyond it."""
        return min(max(round((at - self.begins_at) / UNIT), 0), self.width)

    def y(self, temp_c: float) -> int:
        """Return the height of a temperature."""
        return TOP + round((self.top_c - temp_c) * (BOTTOM - TOP) / self.span_c)

    @property
    def reference_c(self) -> int:
        """The temperature of the dotted line: zero, or the full ten degrees nearest to it that can be seen."""
        lowest = self.top_c - self.span_c
        if lowest <= 0 <= self.top_c:
            return 0
        return self.top_c // 10 * 10 if self.top_c < 0 else -(-lowest // 10) * 10


def frame_of(band: Band) -> Frame:
    """Return the frame that holds all of a band: the usual one where it does, else shifted, else stretched."""
    temps = [value for point in band.past for value in (point.temp_c, point.frost_point_c) if value is not None]
    for ahead in band.expected:
        values = (ahead.temp_c, ahead.frost_point_c, ahead.skin_low_c, ahead.skin_high_c)
        temps.extend(value for value in values if value is not None)
    lowest, highest = min(temps, default=0.0), max(temps, default=0.0)
    width = (band.ends_at - band.begins_at) // UNIT
    return Frame(band.begins_at, width, *_window(lowest, highest))


def thinned(points: Sequence[Point], off: float = 1.0) -> list[Point]:
    """Return a line without the points that lie within `off` units of the straight way between their neighbours.

    References
    ----------
    D. Douglas, T. Peucker, Algorithms for the reduction of the number of points required to represent a digitized line
    or its caricature, The Canadian Cartographer 10 (1973).
    """
    if len(points) < 3:
        return list(points)
    (x0, y0), (x1, y1) = points[0], points[-1]
    length = ((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5 or 1.0
    far, at = 0.0, 0
    for index in range(1, len(points) - 1):
        x, y = points[index]
        distance = abs((y1 - y0) * (x - x0) - (x1 - x0) * (y - y0)) / length
        if distance > far:
            far, at = distance, index
    if far <= off:
        return [points[0], points[-1]]
    return [*thinned(points[: at + 1], off)[:-1], *thinned(points[at:], off)]


def _window(lowest: float, highest: float) -> tuple[int, int]:
    """Return the top and the span of the temperatures shown: the least stretched, then the least shifted that fit."""
    up = ceil((highest - _USUAL_TOP_C) / _SHIFT_C)
    wider = max(0, ceil((highest - lowest - _USUAL_SPAN_C) / _SHIFT_C))
    while (down := floor((lowest + _USUAL_SPAN_C + wider * _SHIFT_C - _USUAL_TOP_C) / _SHIFT_C)) < up:
        wider += 1
    shift = min(max(0, up), down)
    return _USUAL_TOP_C + shift * _SHIFT_C, _USUAL_SPAN_C + wider * _SHIFT_C
