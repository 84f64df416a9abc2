"""The load of the morning: how many bays and rigs of each site are busy in each half hour, against what there is."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import groupby
from math import ceil
from typing import NamedTuple

from watcher.pictures import axis as axes
from watcher.pictures.axis import Axis
from watcher.pictures.labels import breakable, chance
from watcher.pictures.sheet import NARROW_PX, chart
from watcher.pictures.svg import Svg, element, joined, text
from watcher.treatment.listed import HALF_HOUR, HalfHour, Range
from watcher.units import clock_z

_HEAD_PX, _TITLE_PX, _PANEL_PX, _SITE_GAP_PX = 28, 26, 56, 16
# A wait in half of the members that is worth a word.
_WORTH_SAYING_MIN = 1.0


class _Panel(NamedTuple):
    """What is counted: its name, how much of it there is, and how much is busy."""

    name: str
    there: int
    busy: Callable[[HalfHour], Range]


def load_picture(
    load: Sequence[HalfHour],
    *,
    zone: str | None = None,
    foot: Sequence[str] = (),
    training: bool = False,
    width: int = 960,
) -> str:
    """Return the load of one station's sites as an inline SVG.

    Parameters
    ----------
    load
        Of one station, by site and half hour, as `watcher.treatment.load.load_of` gives it.
    zone
        IANA zone of the station, for local times; None: Z only.
    foot
        Lines beneath.
    training
        The chance that a holdover time is too short rests on tables that are not in force, and is marked so.
    width
        In px; below 600 it is laid out for a phone.

    Raises
    ------
    ValueError
        The load is of several stations.
    """
    stations = {half.station for half in load}
    if len(stations) > 1:
        raise ValueError(f"one picture is of one station, not of {', '.join(sorted(stations))}")
    feet = [line for words in foot for line in breakable(words, width, 12, most=6)]
    if not load:
        words = "No treatment is expected in these hours."
        parts = [element("text", text(words), x=0, y=16), *_feet(feet, 28)]
        return chart("load-picture", parts, width=width, height=28 + 17 * len(feet), said=words)
    sites = [list(group) for _, group in groupby(load, key=lambda half: (half.site, half.place))]
    narrow = width < NARROW_PX
    begins_at = min(half.begins_at for half in load)
    ends_at = max(half.begins_at for half in load) + HALF_HOUR
    left, right = (34, width - 14) if narrow else (196, width - 72)
    axis = Axis(begins_at, ends_at, left, right, width, least_step_min=30)
    heights = [_site_px(site, narrow=narrow) for site in sites]
    tops = [_HEAD_PX + sum(heights[:number]) for number in range(len(sites) + 1)]
    bottom = tops[-1] - _SITE_GAP_PX + 6
    head = element("text", text(f"{load[0].station}, load by half hour"), x=0, y=16, class_="head")
    found = [head, axes.grid(axis, _HEAD_PX + _TITLE_PX, bottom)]
    found += [_site(site, axis, top, narrow=narrow, training=training) for site, top in zip(sites, tops, strict=False)]
    found += [axes.times(axis, bottom, zone), *_feet(feet, bottom + axes.FOOT_PX + 4)]
    height = bottom + axes.FOOT_PX + 6 + 17 * len(feet)
    return chart("load-picture", found, width=width, height=height, said=_said(load[0].station, sites))


def _feet(lines: Sequence[str], y: int) -> list[Svg]:
    return [element("text", text(line), x=0, y=y + 12 + 17 * row, class_="soft") for row, line in enumerate(lines)]


def _panels(site: Sequence[HalfHour]) -> list[_Panel]:
    first = site[0]
    bays, rigs = (
        _Panel("bays busy", first.bays, lambda half: half.bays_busy),
        _Panel("rigs busy", first.rigs, lambda half: half.rigs_busy),
    )
    return [bays, rigs]


def _gap_px(*, narrow: bool) -> int:
    """Return the room above a panel; where it is narrow its name stands there."""
    return 24 if narrow else 14


def _row_px(*, narrow: bool) -> int:
    """Return the height of a row of figures; where it is narrow its name stands above them."""
    return 34 if narrow else 18


def _site_px(site: Sequence[HalfHour], *, narrow: bool) -> int:
    panels = len(_panels(site)) * (_PANEL_PX + _gap_px(narrow=narrow))
    return _TITLE_PX + panels + len(_figures(site, "")) * _row_px(narrow=narrow) + 10 + _SITE_GAP_PX


def _site(site: Sequence[HalfHour], axis: Axis, top: int, *, narrow: bool, training: bool) -> Svg:
    first = site[0]
    edge = element("path", d=f"M0 {top - 2}H{axis.width}", class_="base")
    words = first.place.value if first.site == first.place.value else f"{first.place.value}, {first.site}"
    found = [edge, element("text", text(words), x=0, y=top + 16, class_="bold halo")]
    y = top + _TITLE_PX
    for panel in _panels(site):
        found.append(_panel(panel, site, axis, y + _gap_px(narrow=narrow), narrow=narrow))
        y += _PANEL_PX + _gap_px(narrow=narrow)
    y += 10
    for name, figures in _figures(site, ", training" if training else ""):
        found.append(element("text", text(name), x=axis.left if narrow else 0, y=y + 8, class_="halo"))
        for half, figure in zip(site, figures, strict=True):
            x = (axis.x(half.begins_at) + axis.x(half.begins_at + HALF_HOUR)) // 2
            place = y + (24 if narrow else 8)
            found.append(element("text", text(figure), x=x, y=place, text_anchor="middle", class_="small halo"))
        y += _row_px(narrow=narrow)
    return joined([*found, *_hits(site, axis, top + _TITLE_PX, y, training=training)])


def _panel(panel: _Panel, site: Sequence[HalfHour], axis: Axis, top: int, *, narrow: bool) -> Svg:
    """Return the bars of one thing: half of the members fill so much, eight of ten between the ends of the whisker."""
    most = max(panel.there, *(ceil(panel.busy(half).p90) for half in site), 1)
    bottom = top + _PANEL_PX

    def y(count: float) -> int:
        return round(bottom - count / most * _PANEL_PX)

    found = [element("path", d=f"M{axis.left} {bottom}H{axis.right}", class_="base")]
    for half in site:
        left, right = axis.x(half.begins_at), axis.x(half.begins_at + HALF_HOUR)
        busy, middle = panel.busy(half), (left + right) // 2
        full = busy.p50 >= panel.there > 0
        size = {"width": max(right - left - 4, 1), "height": bottom - y(busy.p50)}
        found.append(element("rect", x=left + 2, y=y(busy.p50), class_="over" if full else "busy", **size))
        if full and right - left >= 30:
            found.append(element("text", text("full"), x=left + 8, y=y(busy.p50) + 16, class_="small bold over-word"))
        if busy.p90 > busy.p10:
            d = f"M{middle} {y(busy.p10)}V{y(busy.p90)}M{middle - 4} {y(busy.p90)}h8M{middle - 4} {y(busy.p10)}h8"
            found.append(element("path", d=d, class_="whisker"))
    if panel.there > 0:
        place = y(panel.there)
        found.append(element("path", d=f"M{axis.left} {place}H{axis.right}", class_="capacity"))
        words = f"{panel.there}" if narrow else f"of {panel.there}"
        x, anchor = (axis.left - 6, "end") if narrow else (axis.right + 8, None)
        found.append(element("text", text(words), x=x, y=place + 4, text_anchor=anchor, class_="bold"))
    found.append(element("text", text("0"), x=axis.left - 6, y=bottom + 2, text_anchor="end", class_="soft"))
    named = (axis.left, top - 6) if narrow else (0, bottom - _PANEL_PX // 2 + 4)
    found.append(element("text", text(panel.name), x=named[0], y=named[1], class_="halo"))
    return joined(found)


def _figures(site: Sequence[HalfHour], training: str) -> list[tuple[str, list[str]]]:
    """Return rows of figures beneath the bars; a row in which nothing is worth saying is left out."""
    rows = [("begin treatment", [_count(half.aircraft.p50) for half in site])]
    if any(half.wait_min.p90 >= _WORTH_SAYING_MIN for half in site):
        rows.append(("wait min, p50-p90", [_wait(half.wait_min) for half in site]))
    if any(half.p_broken is None or half.p_broken >= 0.01 for half in site):
        told = ["-" if half.p_broken is None else chance(half.p_broken) for half in site]
        rows.append((f"past the lower end{training}", told))
    return rows


def _count(value: float) -> str:
    return f"{value:g}" if value else "-"


def _wait(minutes: Range) -> str:
    low, high = round(minutes.p50), round(minutes.p90)
    return "-" if high < _WORTH_SAYING_MIN else f"{low}" if low == high else f"{low}-{high}"


def _hits(site: Sequence[HalfHour], axis: Axis, top: int, bottom: int, *, training: bool) -> list[Svg]:
    found = []
    for half in site:
        left, right = axis.x(half.begins_at), axis.x(half.begins_at + HALF_HOUR)
        box = element("rect", x=left, y=top, width=right - left, height=bottom - top, class_="hit")
        found.append(element("g", element("title", text(_told(half, training=training))), box))
    return found


def _told(half: HalfHour, *, training: bool) -> str:
    broken = "not known" if half.p_broken is None else f"{chance(half.p_broken)}{' training' if training else ''}"
    return (
        f"{clock_z(half.begins_at)} to {clock_z(half.begins_at + HALF_HOUR)}: {_range(half.aircraft)} begin treatment, "
        f"{_range(half.bays_busy)} of {half.bays} bays and {_range(half.rigs_busy)} of {half.rigs} rigs busy, longest "
        f"wait {_range(half.wait_min)} min, one of them off past its lower end {broken}"
    )


def _range(values: Range) -> str:
    return f"{values.p50:g}" if values.p10 == values.p90 else f"{values.p50:g} ({values.p10:g} to {values.p90:g})"


def _said(station: str, sites: Sequence[Sequence[HalfHour]]) -> str:
    told = []
    for site in sites:
        peak = max(site, key=lambda half: (half.bays_busy.p50, half.rigs_busy.p50))
        told.append(
            f"{peak.place.value} {peak.site}: busiest from {clock_z(peak.begins_at)}, {peak.bays_busy.p50:g} of "
            f"{peak.bays} bays and {peak.rigs_busy.p50:g} of {peak.rigs} rigs"
        )
    return f"Load at {station} by half hour. {'; '.join(told)}."
