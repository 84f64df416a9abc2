"""The night of a parked aircraft: temperatures above, chances below them, and when frost begins, ends and is gone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC
from itertools import pairwise

from watcher.outlook.night.model import Night, NightStep, PartNight
from watcher.pictures import axis as axes
from watcher.pictures.axis import Axis, Span, TimeMark
from watcher.pictures.labels import breakable, chance, day, degrees, width_of
from watcher.pictures.night_chances import CHANCES_PX, chances
from watcher.pictures.night_spans import ROWS, row_px, spans, told
from watcher.pictures.night_warmth import warmth
from watcher.pictures.sheet import NARROW_PX, chart
from watcher.pictures.svg import Svg, element, text
from watcher.units import clock_z

PART_WORDS = {"dry_bay": "dry bay", "tank_full": "tank, full", "tank_part": "tank, part full"}
_HEAD_PX = 28
_FOOT_LINE_PX = 16


@dataclass(frozen=True, slots=True)
class Layout:
    """Where things go. `left`, `right`: edges of the plot; labels stand outside of them."""

    width: int
    left: int
    right: int
    warmth_px: int

    @classmethod
    def of(cls, width: int) -> Layout:
        """Return the layout for a width in px."""
        if width < NARROW_PX:
            return cls(width, 32, width - 108, 150)
        return cls(width, 96, width - 166, 190)

    @property
    def narrow(self) -> bool:
        """Whether it is for a phone."""
        return self.width < NARROW_PX


def night_picture(
    night: Night,
    *,
    zone: str | None,
    marks: Sequence[TimeMark] = (),
    dark: Sequence[Span] = (),
    part: str | None = None,
    foot: Sequence[str] = (),
    width: int = 960,
) -> str:
    """Return the night of one part of the wing as an inline SVG.

    Parameters
    ----------
    night
        The answer.
    zone
        IANA zone of the station, for local times; None: Z only.
    marks
        Times to be marked, such as the departure.
    dark
        When the sun is down: see `watcher.pictures.axis.nights_of`.
    part
        Which part of the wing; None: the one that is most likely to be frosted.
    foot
        Lines beneath, such as the caution where the picture leaves its page.
    width
        In px; below 600 it is laid out for a phone.
    """
    layout = Layout.of(width)
    shown = night.worst if part is None else next((each for each in night.parts if each.part == part), None)
    if shown is None or len(shown.steps) < 2:
        return _unknown(night, layout, foot)
    steps = tuple(shown.steps)
    axis = Axis(steps[0].at, steps[-1].at, layout.left, layout.right, width)
    top = _HEAD_PX + axes.rows_of_marks(axis, marks) + 6
    middle = top + layout.warmth_px + 28
    below = middle + CHANCES_PX + 14
    bottom = below + 3 * row_px(layout.narrow)
    end = bottom + axes.FOOT_PX
    parts = [
        axes.shaded(axis, dark, top, bottom),
        axes.grid(axis, top, bottom),
        _head(night, shown, layout),
        warmth(steps, axis, top, top + layout.warmth_px, narrow=layout.narrow),
        chances(steps, axis, middle, narrow=layout.narrow),
        spans(shown, night, axis, below, narrow=layout.narrow),
        axes.marked(axis, marks, _HEAD_PX, bottom),
        axes.times(axis, bottom, zone),
        *_hits(steps, axis, top, bottom, zone),
        *_foot(foot, layout, end + 4),
    ]
    height = end + 6 + _FOOT_LINE_PX * len(_foot_lines(foot, layout))
    return chart("night-picture", parts, width=width, height=height, said=_said(night, shown))


def _head(night: Night, shown: PartNight, layout: Layout) -> Svg:
    part = PART_WORDS.get(shown.part, shown.part)
    words = f"{night.station} wing, {part}"
    if not layout.narrow and shown.part == night.worst_part and len(night.parts) > 1:
        words += ", the part most likely to be frosted"
    head = element("text", text(words), x=0, y=16, class_="head")
    if layout.narrow:
        return head
    rests = _rests(night)
    if width_of(words, 15, bold=True) + width_of(rests, 12) + 20 > layout.width:
        return head
    return Svg(head + element("text", text(rests), x=layout.width, y=16, text_anchor="end", class_="soft"))


def _rests(night: Night) -> str:
    report = "no report" if night.observed_at is None else f"report {clock_z(night.observed_at)}"
    taf = "no TAF" if night.forecast_issued_at is None else f"TAF {clock_z(night.forecast_issued_at)}"
    begin, end = night.begins_at.astimezone(UTC), night.ends_at.astimezone(UTC)
    days = day(begin) if begin.date() == end.date() else f"{day(begin)} to {day(end)}"
    return f"{days}; {report}, {taf}, {night.members} members"


def _hits(steps: Sequence[NightStep], axis: Axis, top: int, bottom: int, zone: str | None) -> list[Svg]:
    """Return a column for each step that shows its figures where it is pointed at."""
    xs = [axis.x(step.at) for step in steps]
    edges = [xs[0], *((a + b) // 2 for a, b in pairwise(xs)), xs[-1]]
    return [
        element(
            "g",
            element("title", text(_figures(step, zone))),
            element("rect", x=left, y=top, width=max(right - left, 1), height=bottom - top, class_="hit"),
        )
        for step, (left, right) in zip(steps, pairwise(edges), strict=True)
    ]


def _figures(step: NightStep, zone: str | None) -> str:
    low, middle, high = step.skin_c
    return (
        f"{axes.spoken(step.at, zone)}: frost forms {chance(step.p_active_frost)}, deposit {chance(step.p_deposit)}, "
        f"frozen water {chance(step.p_frozen_residual)}, precipitation {chance(step.p_precipitation)}; "
        f"skin {degrees(middle)} ({degrees(low)} to {degrees(high)}), air {degrees(step.temp_c.p50)}, "
        f"frost point {degrees(step.frost_point_c.p50)}"
    )


def _said(night: Night, shown: PartNight) -> str:
    coldest = min(shown.steps, key=lambda step: step.skin_c.p50)
    rows = zip(ROWS, (shown.onset, shown.end, shown.deposit_end), strict=True)
    when = ", ".join(f"{name} {told(times, night, otherwise=otherwise)}" for (name, otherwise), times in rows)
    return (
        f"{night.station} wing, {PART_WORDS.get(shown.part, shown.part)}, {clock_z(shown.steps[0].at)} to "
        f"{clock_z(shown.steps[-1].at)}: chance of frost {chance(shown.p_any)}; {when}; coldest skin "
        f"{degrees(coldest.skin_c.p50)} at {clock_z(coldest.at)}."
    )


def _unknown(night: Night, layout: Layout, foot: Sequence[str]) -> str:
    words = " ".join(night.notes) or "No temperature is known."
    lines = [line for note in night.notes for line in breakable(note, layout.width, 12, most=6)]
    parts = [element("text", text(f"{night.station}: cannot be computed"), x=0, y=16, class_="head")]
    parts += [element("text", text(line), x=0, y=40 + 16 * row) for row, line in enumerate(lines)]
    end = 40 + 16 * len(lines)
    parts += _foot(foot, layout, end)
    height = end + _FOOT_LINE_PX * len(_foot_lines(foot, layout))
    said = f"The night at {night.station} cannot be computed. {words}"
    return chart("night-picture", parts, width=layout.width, height=height, said=said)


def _foot_lines(foot: Sequence[str], layout: Layout) -> list[str]:
    return [line for words in foot for line in breakable(words, layout.width, 12, most=6)]


def _foot(foot: Sequence[str], layout: Layout, y: int) -> list[Svg]:
    lines = _foot_lines(foot, layout)
    return [
        element("text", text(line), x=0, y=y + 12 + _FOOT_LINE_PX * row, class_="soft")
        for row, line in enumerate(lines)
    ]
