"""When frost begins, ends and is gone: where 80 % of the members have it, and the middle of them."""

from __future__ import annotations

from watcher.outlook.night.model import Night, PartNight, Times
from watcher.pictures.axis import Axis
from watcher.pictures.labels import width_of
from watcher.pictures.svg import Svg, element, joined, text
from watcher.units import clock_z

_ROW_PX, _NARROW_ROW_PX = 24, 36
_REACH_PX, _LEAST_PX = 10, 6
# Each with what is said where it has no time.
ROWS = (("frost begins", "not expected"), ("frost ends", "-"), ("deposit gone", "none expected"))


def row_px(narrow: bool) -> int:
    """Return the height of one of the three rows."""
    return _NARROW_ROW_PX if narrow else _ROW_PX


def told(times: Times | None, night: Night, *, otherwise: str) -> str:
    """Return a time with where most members have it: ``0130Z (0030Z to 0330Z)``. `otherwise`: where there is none."""
    if times is None:
        return otherwise
    if times.p50 is None:
        return f"after {clock_z(night.ends_at)}"
    middle = "now" if times.p50 <= night.begins_at else clock_z(times.p50)
    if times.p10 == times.p90:
        return middle
    first = "now" if times.p10 is None or times.p10 <= night.begins_at else clock_z(times.p10)
    last = f"after {clock_z(night.ends_at)}" if times.p90 is None else clock_z(times.p90)
    return middle if first == last else f"{middle} ({first} to {last})"


def spans(part: PartNight, night: Night, axis: Axis, top: int, *, narrow: bool) -> Svg:
    """Return the three rows.

    Parameters
    ----------
    part, night
        Whose times.
    axis
        Of time.
    top
        In px.
    narrow
        What it is stands above its bar, not beside it.
    """
    rows = zip(ROWS, (part.onset, part.end, part.deposit_end), strict=True)
    return joined(
        _row(
            name,
            times,
            told(times, night, otherwise=otherwise),
            axis,
            night=night,
            top=top + number * row_px(narrow),
            narrow=narrow,
        )
        for number, ((name, otherwise), times) in enumerate(rows)
    )


def _row(name: str, times: Times | None, words: str, axis: Axis, *, night: Night, top: int, narrow: bool) -> Svg:
    middle = top + (26 if narrow else 13)
    bar = _bar(times, night, axis, middle)
    if narrow:
        return Svg(bar + element("text", text(f"{name} {words}"), x=axis.left, y=top + 14, class_="halo"))
    named = element("text", text(name), x=axis.left - 6, y=middle + 4, text_anchor="end")
    end = axis.left if times is None else axis.x(times.p90 or night.ends_at)
    begin = axis.left if times is None else axis.x(times.p10 or night.begins_at)
    words, x, anchor = _beside(words, begin, end, axis)
    return Svg(bar + named + element("text", text(words), x=x, y=middle + 4, text_anchor=anchor, class_="halo"))


def _beside(words: str, begin: int, end: int, axis: Axis) -> tuple[str, int, str | None]:
    """Return the words after the bar, else before it; where there is no room, without what the bar shows."""
    for shown in (words, words.partition(" (")[0]):
        if end + 10 + width_of(shown, 12) <= axis.width:
            return shown, end + 10, None
        if begin - 10 - width_of(shown, 12) >= axis.left:
            return shown, begin - 10, "end"
    return shown, end + 10, None


def _bar(times: Times | None, night: Night, axis: Axis, middle: int) -> Svg:
    if times is None:
        return Svg("")
    begin, end = axis.x(times.p10 or night.begins_at), axis.x(times.p90 or night.ends_at)
    begin = min(begin, end - _LEAST_PX)
    reach = element("rect", x=begin, y=middle - _REACH_PX // 2, width=end - begin, height=_REACH_PX, class_="reach")
    if times.p50 is None:
        return reach
    x = axis.x(times.p50)
    return Svg(reach + element("rect", x=x - 2, y=middle - 8, width=4, height=16, class_="surely"))
