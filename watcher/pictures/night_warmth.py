"""The temperatures of a night: air, frost point and the skin of the wing, with the doubt about them as bands."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import ceil, floor

from watcher.outlook.night.model import NightStep
from watcher.pictures.axis import Axis
from watcher.pictures.labels import apart, degrees
from watcher.pictures.svg import Point, Svg, element, joined, text, way

# The least range that is drawn, in K: a night without change must not look like a fall.
_LEAST_RANGE_K = 8.0
_SCALE_STEPS_K, _LEAST_SCALE_STEP_PX = (1, 2, 5, 10, 20, 50, 100), 26
_LABEL_GAP = 15


def warmth(steps: Sequence[NightStep], axis: Axis, top: int, bottom: int, *, narrow: bool) -> Svg:
    """Return the curves with their scale at the left and their names at the right.

    Parameters
    ----------
    steps
        The night, two steps at least.
    axis
        Of time.
    top, bottom
        In px.
    narrow
        Names stand without figures.
    """
    low, high = _range(steps)

    def y(value_c: float) -> int:
        return round(bottom - (value_c - low) / (high - low) * (bottom - top))

    def line(value: Callable[[NightStep], float]) -> list[Point]:
        return [(axis.x(step.at), y(value(step))) for step in steps]

    def band(lower: Callable[[NightStep], float], upper: Callable[[NightStep], float]) -> str:
        return way([*line(upper), *reversed(line(lower))], closed=True)

    return joined(
        [
            element("path", d=band(lambda s: s.skin_c.p10, lambda s: s.skin_c.p90), class_="skin-band"),
            element("path", d=band(lambda s: s.temp_c.p10, lambda s: s.temp_c.p90), class_="air-band"),
            _scale(axis, y, low, high),
            element("path", d=way(line(lambda s: s.skin_c.p50)), class_="skin"),
            element("path", d=way(line(lambda s: s.frost_point_c.p50)), class_="frost"),
            element("path", d=way(line(lambda s: s.temp_c.p50)), class_="air"),
            _names(steps[-1], axis, y, room=(top + 6, bottom - 4), narrow=narrow),
        ]
    )


def key(axis: Axis, words: str, end: int, place: int, shown: str) -> Svg:
    """Return the name of a curve beside its end, with a piece of the same line. `shown`: class of the curve."""
    x = axis.right + 30
    lead = element("path", d=f"M{axis.right + 2} {end}L{x - 20} {place}", class_="lead")
    line = element("path", d=f"M{x - 20} {place}H{x - 4}", class_=shown)
    return joined([lead, line, element("text", text(words), x=x, y=place + 4, class_=f"{shown}-word")])


def _range(steps: Sequence[NightStep]) -> tuple[float, float]:
    """Return whole degrees between which all curves lie, the freezing point among them where it is near."""
    lows = [min(step.skin_c.p10, step.temp_c.p10, step.frost_point_c.p50) for step in steps]
    highs = [max(step.skin_c.p90, step.temp_c.p90) for step in steps]
    low, high = floor(min(lows) - 0.3), ceil(max(highs) + 0.3)
    if -6 <= high < 1:
        high = 1
    if -1 < low <= 6:
        low = -1
    lacks = _LEAST_RANGE_K - (high - low)
    return (low - lacks / 2, high + lacks / 2) if lacks > 0 else (low, high)


def _scale(axis: Axis, y: Callable[[float], int], low: float, high: float) -> Svg:
    every = next(step for step in _SCALE_STEPS_K if y(0) - y(step) >= _LEAST_SCALE_STEP_PX)
    values = range(ceil(low / every) * every, floor(high) + 1, every)
    found = [
        element("text", text("°C"), x=axis.left - 6, y=y(values[-1] - every / 2) + 4, text_anchor="end", class_="soft")
    ]
    for value in values:
        place = y(value)
        found.append(element("path", d=f"M{axis.left} {place}H{axis.right}", class_="zero" if value == 0 else "grid"))
        shown = "bold" if value == 0 else "soft"
        found.append(element("text", text(str(value)), x=axis.left - 6, y=place + 4, text_anchor="end", class_=shown))
    return joined(found)


def _names(last: NightStep, axis: Axis, y: Callable[[float], int], *, room: tuple[int, int], narrow: bool) -> Svg:
    """Return the names of the curves at their ends, pushed apart where they would touch."""
    named = (
        ("air", last.temp_c.p50, "air"),
        ("frost point", last.frost_point_c.p50, "frost"),
        ("skin", last.skin_c.p50, "skin"),
    )
    wanted = [y(value) for _, value, _ in named]
    places = apart(wanted, _LABEL_GAP, *room)
    found = []
    for (name, value, shown), end, place in zip(named, wanted, places, strict=True):
        words = name if narrow else f"{name} {degrees(value)}"
        found.append(key(axis, words, end, round(place), shown))
    return joined(found)
