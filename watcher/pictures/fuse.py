"""The fuse of a protection: a bar that burns away from the top while the holdover time runs.

A script moves it, without one it stands as it was drawn. On the outer element ``data-starts``, ``data-lower``,
``data-upper`` (epoch milliseconds; absent where there is none) and ``data-top``, ``data-foot`` (px of the drawing at
which the bar starts and ends: its end is the upper end, or the lower one where there is no other) give the scale::

    y = top + (foot - top) * clamp((now - starts) / ((upper or lower) - starts), 0, 1)

At each move ``#fuse-burnt`` gets ``height = y - top``, and ``#fuse-now`` gets ``transform = translate(0 y)``. Nothing
else moves. When `now` has passed ``data-lower`` the outer element gets the class ``past``.
"""

from __future__ import annotations

from datetime import datetime

from watcher.pictures.labels import apart
from watcher.pictures.sheet import chart
from watcher.pictures.svg import Svg, element, joined, text
from watcher.treatment.clocks import Clocks
from watcher.treatment.planned import Moments
from watcher.treatment.protection import Standing
from watcher.units import clock_z

WIDTH_PX, HEIGHT_PX = 236, 376
_TOP, _FOOT, _LEFT, _BAR_PX, _LABEL_GAP = 20, HEIGHT_PX - 36, 74, 30, 17
_WORDS = {
    Standing.NO_LIMIT: ("no clock", "runs"),
    Standing.SPECIAL: ("no time on", "the tables"),
    Standing.NONE: ("no time", "exists"),
    Standing.BLIND: ("no report,", "no minutes"),
    Standing.UNKNOWN: ("weather open,", "no minutes"),
    Standing.OUT_OF_SEASON: ("tables out", "of season,", "no minutes"),
    Standing.ENDED: ("ended",),
}


def fuse_picture(
    clocks: Clocks, *, starts_at: datetime, take_off: Moments | None = None, now: datetime | None = None
) -> str:
    """Return the fuse as an inline SVG, 236 by 376 px.

    Parameters
    ----------
    clocks
        How the protection stands.
    starts_at
        When the final application began.
    take_off
        When it is expected to take off; drawn where it lies on the bar or after it.
    now
        How far it has burnt; None: at the time of `clocks`.
    """
    now = clocks.at if now is None else now
    lower, upper = clocks.ends_at, clocks.upper_ends_at
    if lower is None or lower <= starts_at:
        return _without(clocks)
    last = max(lower, upper) if upper is not None else lower
    burnt = _y(now, starts_at, last)
    low = _y(lower, starts_at, last)
    parts = [
        element("rect", x=_LEFT, y=_TOP, width=_BAR_PX, height=low - _TOP, class_="lower"),
        element("rect", x=_LEFT, y=low, width=_BAR_PX, height=_FOOT - low, class_="upper") if last > lower else Svg(""),
        element("rect", x=_LEFT, y=_TOP, width=_BAR_PX, height=burnt - _TOP, id="fuse-burnt", class_="burnt"),
        element("rect", x=_LEFT, y=_TOP, width=_BAR_PX, height=_FOOT - _TOP, rx=4, class_="case"),
        element("path", d=f"M{_LEFT - 6} {low}h{_BAR_PX + 12}", class_="lower-end"),
        _take_off(take_off, starts_at, last),
        _labels(clocks, starts_at, last),
        _training(clocks),
        element(
            "g",
            element("path", d=f"M{_LEFT - 6} 0h{_BAR_PX + 12}", class_="now-line"),
            element("path", d=f"M{_LEFT + _BAR_PX + 6} 0l8-5v10z", class_="dot"),
            id="fuse-now",
            transform=f"translate(0 {burnt})",
        ),
    ]
    state = "fuse past" if now >= lower else "fuse"
    times = {"starts": _ms(starts_at), "lower": _ms(lower), "upper": None if upper is None else _ms(upper)}
    return chart(
        state,
        parts,
        width=WIDTH_PX,
        height=HEIGHT_PX,
        said=_said(clocks, starts_at, take_off),
        **times,
        top=_TOP,
        foot=_FOOT,
    )


def _y(at: datetime, starts_at: datetime, last: datetime) -> int:
    share = (at - starts_at) / (last - starts_at)
    return round(_TOP + min(1.0, max(0.0, share)) * (_FOOT - _TOP))


def _ms(at: datetime) -> float:
    return round(at.timestamp() * 1000)


def _labels(clocks: Clocks, starts_at: datetime, last: datetime) -> Svg:
    """Return the times beside the bar: where it starts, its lower end, and its upper end."""
    allowance = clocks.allowance_ends_at is not None
    lower = clocks.ends_at
    assert lower is not None
    named = [(starts_at, "start", "soft"), (lower, "end" if allowance else "lower", "bold")]
    if clocks.upper_ends_at is not None and clocks.upper_ends_at > lower:
        named.append((clocks.upper_ends_at, "upper", "soft"))
    ends = [_y(at, starts_at, last) for at, _, _ in named]
    places = apart(ends, _LABEL_GAP, _TOP, _FOOT + 4)
    x = _LEFT + _BAR_PX + 18
    return joined(
        element("text", text(f"{clock_z(at)} {name}"), x=x, y=round(place) + 5, class_=shown)
        for (at, name, shown), place in zip(named, places, strict=True)
    )


def _training(clocks: Clocks) -> Svg:
    if not clocks.training:
        return Svg("")
    x = _LEFT + _BAR_PX // 2
    return element("text", text("training"), x=x, y=HEIGHT_PX - 10, text_anchor="middle", class_="bold")


def _take_off(take_off: Moments | None, starts_at: datetime, last: datetime) -> Svg:
    """Return the expected take-off as a whisker at the left; one that lies past the bar ends in an arrow."""
    if take_off is None:
        return Svg("")
    first, middle, end = (_y(at, starts_at, last) for at in (take_off.p10, take_off.p50, take_off.p90))
    x = _LEFT - 18
    words = element(
        "text", text(clock_z(take_off.p50)), x=x - 9, y=middle + 5, text_anchor="end", class_="take-off-word"
    )
    if take_off.p10 > last:
        arrow = element("path", d=f"M{x} {_FOOT - 14}V{_FOOT}m-5-7l5 7 5-7", class_="take-off")
        return Svg(arrow + words)
    tip = "m-5-7l5 7 5-7" if take_off.p90 > last else "m-5 0h10"
    way = element("path", d=f"M{x - 5} {first}h10m-5 0V{end}{tip}", class_="take-off")
    dot = element("circle", cx=x, cy=middle, r=5, class_="take-off-dot") if take_off.p50 <= last else Svg("")
    return joined([way, dot, words])


def _without(clocks: Clocks) -> str:
    """Return an empty case, with the reason why nothing burns in it."""
    words = _WORDS.get(clocks.standing, ("no minutes",))
    parts = [element("rect", x=_LEFT, y=_TOP, width=_BAR_PX, height=_FOOT - _TOP, rx=4, class_="case empty")]
    parts += [
        element("text", text(line), x=_LEFT + _BAR_PX + 14, y=HEIGHT_PX // 2 + 18 * row, class_="bold")
        for row, line in enumerate(words)
    ]
    said = f"No clock is shown: {' '.join(words)}."
    return chart(f"fuse {clocks.standing.value}", parts, width=WIDTH_PX, height=HEIGHT_PX, said=said)


def _said(clocks: Clocks, starts_at: datetime, take_off: Moments | None) -> str:
    what = "Allowance time" if clocks.allowance_ends_at is not None else "Holdover time"
    assert clocks.ends_at is not None
    said = f"{what} from {clock_z(starts_at)}, lower end {clock_z(clocks.ends_at)}"
    if clocks.allowance_ends_at is not None:
        said = f"{what} from {clock_z(starts_at)} to {clock_z(clocks.ends_at)}"
    elif clocks.upper_ends_at is not None:
        said += f", upper end {clock_z(clocks.upper_ends_at)}"
    if take_off is not None:
        said += f"; take-off expected {clock_z(take_off.p50)}, {clock_z(take_off.p10)} to {clock_z(take_off.p90)}"
    return f"{said}{'; training figures' if clocks.training else ''}."
