"""The lines of a strip: temperatures, the band of the skin, the hill of frost, nights and blind time."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime
from itertools import groupby, pairwise

from watcher.pictures.band_model import Band, ExpectedPoint
from watcher.pictures.band_words import WORTH_SHOWING
from watcher.pictures.strip_frame import FOOT, HEIGHT, HILL, Frame, thinned
from watcher.pictures.svg import Point, Svg, element, joined, way

Reading = tuple[datetime, float | None]


def ground(band: Band, frame: Frame) -> Svg:
    """Return the nights: what lies under everything."""
    spans = band.nights or ()
    boxes = "".join(box(frame.x(span.begins_at), frame.x(span.ends_at or band.ends_at), 0, HEIGHT) for span in spans)
    return _path("n", boxes)


def lines(band: Band, frame: Frame) -> Svg:
    """Return the hill, the band of the skin and the two lines of temperature."""
    return joined(
        (
            _path("h", "".join(_hill(part, frame) for part in _of_one_source(band.expected))),
            _path("u", _ticks(band, frame)),
            _path("k", "".join(_skin(part, frame) for part in _of_one_source(band.expected))),
            _path("f", _line(runs(band, "frost_point_c"), frame)),
            _path("a", _line(runs(band, "temp_c"), frame)),
        )
    )


def runs(band: Band, name: str) -> list[list[tuple[datetime, float]]]:
    """Return the pieces of a line: a value that is not known, a blind time or another source part it.

    `name`: ``temp_c`` or ``frost_point_c``.
    """
    past: list[Reading] = []
    gaps = {span.begins_at for span in band.blind if span.ends_at is not None}
    for point in band.past:
        past.append((point.at, getattr(point, name)))
        if point.at in gaps:
            past.append((point.at, None))
    parts = _of_one_source(band.expected)
    pieces = [past, *([(point.at, getattr(point, name)) for point in part] for part in parts)]
    if band.joined and len(pieces) > 1:
        pieces[:2] = [pieces[0] + pieces[1]]
    return [run for piece in pieces for run in _known(piece)]


def box(left: int, right: int, top: int, bottom: int) -> str:
    """Return the path of a box, "" for an empty one."""
    if right <= left:
        return ""
    return f"M{left} {top}v{bottom - top}h{right - left}v{top - bottom}z"


def _known(readings: Iterable[Reading]) -> Iterator[list[tuple[datetime, float]]]:
    for unknown, run in groupby(readings, key=lambda reading: reading[1] is None):
        if not unknown:
            yield [(at, value) for at, value in run if value is not None]


def _of_one_source(points: Iterable[ExpectedPoint]) -> Iterator[list[ExpectedPoint]]:
    for _, part in groupby(points, key=lambda point: point.source):
        yield list(part)


def _line(pieces: Iterable[Sequence[tuple[datetime, float]]], frame: Frame) -> str:
    parts = []
    for piece in pieces:
        drawn = way(thinned([(frame.x(at), frame.y(value)) for at, value in piece]))
        # A reading alone is a dot: a way of no length with round ends.
        parts.append(drawn if any(letter in drawn for letter in "lhv") else f"{drawn}h0")
    return "".join(parts)


def _skin(points: Sequence[ExpectedPoint], frame: Frame) -> str:
    known = [point for point in points if point.skin_low_c is not None and point.skin_high_c is not None]
    if len(known) < 2:
        return ""
    upper = _side(known, lambda point: point.skin_high_c, frame)
    lower = _side(known, lambda point: point.skin_low_c, frame)
    return way([*upper, *reversed(lower)], closed=True)


def _side(points: Iterable[ExpectedPoint], value: Callable[[ExpectedPoint], float | None], frame: Frame) -> list[Point]:
    found = ((point, value(point)) for point in points)
    return thinned([(frame.x(point.at), frame.y(temp_c)) for point, temp_c in found if temp_c is not None])


def _hill(points: Sequence[ExpectedPoint], frame: Frame) -> str:
    """Return the hills: one for each time over which frost is worth showing, from foot to foot."""
    heights = [(frame.x(point.at), round(HILL * (point.p_active_frost or 0))) for point in points]
    worth = [(point.p_active_frost or 0) >= WORTH_SHOWING for point in points]
    near = [any(worth[max(0, index - 1) : index + 2]) for index in range(len(points))]
    parts = []
    for shown, run in groupby(zip(heights, near, strict=True), key=lambda item: item[1]):
        top = [(x, FOOT - height) for (x, height), _ in run]
        if shown and len(top) > 1:
            parts.append(way([(top[0][0], FOOT), *thinned(top), (top[-1][0], FOOT)], closed=True))
    return "".join(parts)


def _ticks(band: Band, frame: Frame) -> str:
    """Return a tick on the foot line for each report."""
    places = [frame.x(at) for at in band.reported_at]
    steps = [after - before for before, after in pairwise(places)]
    return f"M{places[0]} {FOOT}v-7" + "".join(f"m{step} 7v-7" for step in steps) if places else ""


def _path(name: str, d: str) -> Svg:
    return element("path", class_=name, d=d) if d else Svg("")
