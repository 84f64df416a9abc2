"""The chances of a night by half hour: frost forms, a deposit lies, water is frozen on it, something has fallen."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from watcher.outlook.night.model import NightStep
from watcher.pictures.axis import Axis
from watcher.pictures.labels import apart, chance, cut_to
from watcher.pictures.night_warmth import key
from watcher.pictures.svg import Svg, element, joined, text, way

CHANCES_PX = 110
# Lower all night: said in words, not drawn.
_WORTH_DRAWING = 0.01
_LABEL_GAP = 15

_Value = Callable[[NightStep], float]


class _Curve(NamedTuple):
    """`shown`: its class."""

    name: str
    value: _Value
    shown: str


_FORMS = _Curve("frost forms", lambda step: step.p_active_frost, "forms")
_CURVES = (
    _FORMS,
    _Curve("deposit", lambda step: step.p_deposit, "deposit"),
    _Curve("frozen water", lambda step: step.p_frozen_residual, "residual"),
    _Curve("precipitation", lambda step: step.p_precipitation, "precipitation"),
)


def chances(steps: Sequence[NightStep], axis: Axis, top: int, *, narrow: bool) -> Svg:
    """Return the curves, each with its name and its highest figure.

    Parameters
    ----------
    steps
        The night, two steps at least.
    axis
        Of time.
    top
        In px; the curves are `CHANCES_PX` high.
    narrow
        Names stand without figures.
    """
    bottom = top + CHANCES_PX

    def y(p: float) -> int:
        return round(bottom - p * CHANCES_PX)

    drawn = [curve for curve in _CURVES if max(map(curve.value, steps)) >= _WORTH_DRAWING]
    found = [_scale(axis, top, bottom)]
    for curve in drawn:
        points = [(axis.x(step.at), y(curve.value(step))) for step in steps]
        if curve is _FORMS:
            hill = [(axis.left, bottom), *points, (axis.right, bottom)]
            found.append(element("path", d=way(hill, closed=True), class_="hill"))
        found.append(element("path", d=way(points), class_=curve.shown))
    if _FORMS in drawn:
        found.append(_peak(steps, axis, y))
    ends = [y(curve.value(steps[-1])) for curve in drawn]
    for curve, end, place in zip(drawn, ends, apart(ends, _LABEL_GAP, top + 4, bottom), strict=True):
        words = curve.name if narrow else f"{curve.name} {chance(curve.value(steps[-1]))}"
        found.append(key(axis, words, end, round(place), curve.shown))
    quiet = [curve.name for curve in _CURVES if curve not in drawn]
    if quiet:
        found.append(element("text", text(_quiet(quiet, axis)), x=axis.left, y=top - 8, class_="soft"))
    return joined(found)


def _quiet(names: Sequence[str], axis: Axis) -> str:
    words = f"<1 % all night: {', '.join(names)}"
    return cut_to(words, axis.right - axis.left + 80, 12)


def _scale(axis: Axis, top: int, bottom: int) -> Svg:
    found = [element("path", d=f"M{axis.left} {bottom}H{axis.right}", class_="base")]
    for share in (0.5, 1.0):
        place = round(bottom - share * (bottom - top))
        found.append(element("path", d=f"M{axis.left} {place}H{axis.right}", class_="grid"))
    for share in (0.0, 0.5, 1.0):
        place = round(bottom - share * (bottom - top))
        words = f"{100 * share:.0f} %" if axis.left > 60 else f"{100 * share:.0f}"
        found.append(element("text", text(words), x=axis.left - 6, y=place + 4, text_anchor="end", class_="soft"))
    if axis.left <= 60:
        found.append(element("text", text("%"), x=0, y=top - 8, class_="soft"))
    return joined(found)


def _peak(steps: Sequence[NightStep], axis: Axis, y: Callable[[float], int]) -> Svg:
    """Return a dot with its figure at the top of the hill; near 100 % the figure stands inside."""
    top = max(steps, key=_FORMS.value)
    p = _FORMS.value(top)
    x, place = axis.x(top.at), y(p)
    anchor = "start" if x < axis.left + 30 else "end" if x > axis.right - 30 else "middle"
    beside = {"start": 5, "end": -5, "middle": 0}[anchor]
    figure = element(
        "text", text(chance(p)), x=x + beside, y=place + (18 if p > 0.75 else -8), text_anchor=anchor,
        class_="bold halo forms-word",
    )  # fmt: skip
    return joined([element("circle", cx=x, cy=place, r=3, class_="surely"), figure])
