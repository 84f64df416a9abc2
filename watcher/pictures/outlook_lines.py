"""The curves of a station's outlook: air, frost point and skin above, the chance that frost forms below."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from math import ceil, floor

from watcher.pictures.axis import Axis
from watcher.pictures.band_model import Band, ExpectedPoint
from watcher.pictures.labels import apart, chance, degrees
from watcher.pictures.night_warmth import key
from watcher.pictures.strip_lines import runs
from watcher.pictures.svg import Svg, element, joined, text, way

# The least range that is drawn, in K: a day without change must not look like a fall.
_LEAST_RANGE_K = 8
_STEPS_K, _LEAST_STEP_PX, _LABEL_GAP = (1, 2, 5, 10, 20, 50), 26, 15


@dataclass(frozen=True, slots=True)
class Scale:
    """Whole degrees between two heights, in px."""

    low_c: int
    high_c: int
    top: int
    bottom: int

    def y(self, temp_c: float) -> int:
        """Return the height of a temperature."""
        return round(self.bottom - (temp_c - self.low_c) / (self.high_c - self.low_c) * (self.bottom - self.top))


def temperatures(band: Band, axis: Axis, top: int, bottom: int, *, narrow: bool) -> Svg:
    """Return the lines with their scale at the left and their names at the right.

    Parameters
    ----------
    band
        What is shown.
    axis
        Of time.
    top, bottom
        In px.
    narrow
        Names stand without figures.
    """
    values = list(_shown(band, axis))
    if not values:
        words = "No temperature is known."
        return element("text", text(words), x=axis.left + 8, y=(top + bottom) // 2, class_="soft")
    scale = _scale_of(values, top, bottom)
    ways = {
        name: "".join(way([(axis.x(at), scale.y(value)) for at, value in run]) for run in _cut(band, axis, name))
        for name in ("temp_c", "frost_point_c")
    }
    return joined(
        [
            element("path", d=_skin(band, axis, scale), class_="skin-band"),
            _degrees(axis, scale),
            element("path", d=ways["frost_point_c"], class_="frost"),
            element("path", d=ways["temp_c"], class_="air"),
            _dots(band, axis, scale),
            _names(band, axis, scale, narrow=narrow),
        ]
    )


def frost_chance(band: Band, axis: Axis, top: int, bottom: int) -> Svg:
    """Return the hill of the chance that frost forms, with its scale and its highest figure."""

    def y(p: float) -> int:
        return round(bottom - p * (bottom - top))

    points = [point for point in _steps(band, axis) if point.p_active_frost is not None]
    found = [element("path", d=f"M{axis.left} {bottom}H{axis.right}", class_="base")]
    for share in (0.0, 0.5, 1.0):
        if share:
            found.append(element("path", d=f"M{axis.left} {y(share)}H{axis.right}", class_="grid"))
        found.append(
            element(
                "text", text(f"{share:.0%}".replace("%", " %")), x=axis.left - 6, y=y(share) + 4, text_anchor="end",
                class_="soft",
            )
        )  # fmt: skip
    if len(points) < 2:
        words = "no frost forecast"
        found.append(element("text", text(words), x=axis.x(band.now) + 8, y=bottom - 8, class_="soft"))
        return joined(found)
    line = [(axis.x(point.at), y(point.p_active_frost or 0.0)) for point in points]
    hill = [(line[0][0], bottom), *line, (line[-1][0], bottom)]
    most = max(points, key=lambda point: point.p_active_frost or 0.0)
    p = most.p_active_frost or 0.0
    found += [
        element("path", d=way(hill, closed=True), class_="hill"),
        element("path", d=way(line), class_="forms"),
        _summit(chance(p), axis, axis.x(most.at), y(p), inside=p > 0.7),
    ]
    return joined(found)


def _summit(words: str, axis: Axis, x: int, y: int, *, inside: bool) -> Svg:
    anchor = "start" if x < axis.left + 30 else "end" if x > axis.right - 30 else "middle"
    figure = element(
        "text", text(words), x=x + {"start": 6, "end": -6, "middle": 0}[anchor], y=y + (18 if inside else -7),
        text_anchor=anchor, class_="bold halo forms-word",
    )  # fmt: skip
    return joined([element("circle", cx=x, cy=y, r=3, class_="surely"), figure])


def _cut(band: Band, axis: Axis, name: str) -> Iterator[list[tuple[datetime, float]]]:
    """Yield the pieces of a line that the axis shows."""
    for run in runs(band, name):
        inside = [(at, value) for at, value in run if axis.shows(at)]
        if inside:
            yield inside


def _steps(band: Band, axis: Axis) -> Iterator[ExpectedPoint]:
    return (point for point in band.expected if axis.shows(point.at))


def _shown(band: Band, axis: Axis) -> Iterator[float]:
    for name in ("temp_c", "frost_point_c"):
        yield from (value for run in _cut(band, axis, name) for _, value in run)
    for point in _steps(band, axis):
        yield from (value for value in (point.skin_low_c, point.skin_high_c) if value is not None)


def _scale_of(values: Sequence[float], top: int, bottom: int) -> Scale:
    """Return whole degrees between which all lies, the freezing point among them where it is near."""
    low, high = floor(min(values) - 0.5), ceil(max(values) + 0.5)
    if -6 <= high < 1:
        high = 1
    if -1 < low <= 6:
        low = -1
    lacks = _LEAST_RANGE_K - (high - low)
    if lacks > 0:
        low, high = low - lacks // 2, high + (lacks + 1) // 2
    return Scale(low, high, top, bottom)


def _degrees(axis: Axis, scale: Scale) -> Svg:
    every = next((step for step in _STEPS_K if scale.y(0) - scale.y(step) >= _LEAST_STEP_PX), _STEPS_K[-1])
    found = [element("text", text("°C"), x=axis.left - 6, y=scale.top - 4, text_anchor="end", class_="soft")]
    for value in range(ceil(scale.low_c / every) * every, scale.high_c + 1, every):
        y, zero = scale.y(value), value == 0
        found.append(element("path", d=f"M{axis.left} {y}H{axis.right}", class_="zero" if zero else "grid"))
        if y > scale.top + 6:
            shown = "bold" if zero else "soft"
            found.append(element("text", text(str(value)), x=axis.left - 6, y=y + 4, text_anchor="end", class_=shown))
    return joined(found)


def _skin(band: Band, axis: Axis, scale: Scale) -> str:
    found = []
    for _, part in groupby(_steps(band, axis), key=lambda point: point.source):
        known = [point for point in part if point.skin_low_c is not None and point.skin_high_c is not None]
        if len(known) > 1:
            upper = _side(known, lambda point: point.skin_high_c, axis, scale)
            lower = _side(known, lambda point: point.skin_low_c, axis, scale)
            found.append(way([*upper, *reversed(lower)], closed=True))
    return "".join(found)


def _side(
    points: Sequence[ExpectedPoint], value: Callable[[ExpectedPoint], float | None], axis: Axis, scale: Scale
) -> list[tuple[int, int]]:
    return [(axis.x(point.at), scale.y(found)) for point in points if (found := value(point)) is not None]


def _dots(band: Band, axis: Axis, scale: Scale) -> Svg:
    """Return a dot for each report."""
    return joined(
        element("circle", cx=axis.x(point.at), cy=scale.y(point.temp_c), r=2.2, class_="dot")
        for point in band.past
        if point.temp_c is not None and axis.shows(point.at)
    )


def _names(band: Band, axis: Axis, scale: Scale, *, narrow: bool) -> Svg:
    """Return the names of the lines beside their ends, pushed apart where they would touch."""
    ends = []
    for name, words, shown in (("temp_c", "air", "air"), ("frost_point_c", "frost point", "frost")):
        last = [run[-1] for run in _cut(band, axis, name)][-1:]
        ends += [(words, value, shown) for _, value in last]
    skins = [point for point in _steps(band, axis) if point.skin_high_c is not None and point.skin_low_c is not None]
    if skins:
        last_skin = skins[-1]
        assert last_skin.skin_high_c is not None
        assert last_skin.skin_low_c is not None
        ends.append(("wing skin", (last_skin.skin_high_c + last_skin.skin_low_c) / 2, "skin"))
    wanted = [scale.y(value) for _, value, _ in ends]
    places = apart(wanted, _LABEL_GAP, scale.top + 6, scale.bottom - 4)
    return joined(
        key(axis, words if narrow or shown == "skin" else f"{words} {degrees(value)}", end, round(place), shown)
        for (words, value, shown), end, place in zip(ends, wanted, places, strict=True)
    )
