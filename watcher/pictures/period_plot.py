"""An expected period as an event tells it: from when to when, how sure the ends are, and how likely it is."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from watcher.outlook.model import Odds
from watcher.pictures import axis as axes
from watcher.pictures.axis import Axis, Span
from watcher.pictures.labels import chance, cut_to, day, width_of
from watcher.pictures.sheet import chart
from watcher.pictures.svg import Svg, element, joined, text
from watcher.rulebook.words import Level
from watcher.units import clock_z

WIDTH_PX = 400
_LEFT, _RIGHT = 8, WIDTH_PX - 8
_HEAD_PX, _BAR_TOP, _BAR_PX, _HEIGHT_PX = 24, 58, 26, 138
_BEFORE, _AFTER, _OPEN = timedelta(hours=1), timedelta(hours=1), timedelta(hours=2)


@dataclass(frozen=True, slots=True)
class Period:
    """What an event says of an expected period.

    Parameters
    ----------
    station, what
        Where, and what is expected, in words.
    level
        How much it asks for.
    begins_at, until
        Middle of the beginnings and of the ends; `until` None: not known.
    odds
        How likely, and between which times it begins and ends.
    zone
        For local times; None: Z only.
    """

    station: str
    what: str
    level: Level
    begins_at: datetime
    until: datetime | None
    odds: Odds
    zone: str | None


def period_picture(period: Period) -> str:
    """Return the period as an inline SVG of 400 px, made from what the event knows and nothing else."""
    begins, ends = _edges(period)
    shown = (*begins, *ends, period.begins_at, period.until or ends.ends_at)
    first, last = min(shown), max(shown)
    axis = Axis(_hour(first - _BEFORE), _hour(last + _AFTER + timedelta(minutes=59)), _LEFT, _RIGHT, WIDTH_PX)
    bottom = _BAR_TOP + _BAR_PX + 18
    parts = [
        _head(period),
        axes.grid(axis, _HEAD_PX + 8, bottom),
        _bar(period, axis, begins, ends),
        _edge_words(period, axis),
        axes.times(axis, bottom, period.zone),
    ]
    return chart("period-picture", parts, width=WIDTH_PX, height=_HEIGHT_PX, said=said(period))


def said(period: Period) -> str:
    """Return the whole picture in one sentence, for those who do not see it."""
    odds = period.odds
    begins = f"begins about {clock_z(period.begins_at)}{_between(odds.begins_between)}"
    until = _until_words(period)
    return f"{period.station}, {period.what}: {begins}, {until}; chance {chance(odds.probability)}."


def _until_words(period: Period) -> str:
    if period.until is None:
        return "its end is not known"
    if period.odds.goes_on:
        return f"goes on after {clock_z(period.until)}"
    return f"ends about {clock_z(period.until)}{_between(period.odds.ends_between)}"


def _between(span: tuple[datetime, datetime] | None) -> str:
    if span is None or span[0] == span[1]:
        return ""
    return f" ({clock_z(span[0])} to {clock_z(span[1])})"


def _edges(period: Period) -> tuple[Span, Span]:
    """Return between which times it begins and ends; one that goes on, or has no end, is drawn two hours further."""
    odds = period.odds
    begins = Span(*odds.begins_between) if odds.begins_between is not None else Span(period.begins_at, period.begins_at)
    until = period.until if period.until is not None else period.begins_at + _OPEN
    if odds.ends_between is not None and not odds.goes_on:
        return begins, Span(*odds.ends_between)
    if odds.goes_on or period.until is None:
        return begins, Span(until, until + _OPEN)
    return begins, Span(until, until)


def _hour(at: datetime) -> datetime:
    return at.astimezone(UTC).replace(minute=0, second=0, microsecond=0)


def _head(period: Period) -> Svg:
    likely = chance(period.odds.probability)
    room = WIDTH_PX - width_of(likely, 20, bold=True) - 24
    words = cut_to(f"{period.station} {day(period.begins_at.astimezone(UTC))}: {period.what}", room, 15, bold=True)
    return joined(
        [
            element("text", text(words), x=0, y=17, class_="head"),
            element("text", text(likely), x=WIDTH_PX, y=18, text_anchor="end", class_="big"),
        ]
    )


def _bar(period: Period, axis: Axis, begins: Span, ends: Span) -> Svg:
    """Return the period: solid where most members have it, fainter where only some do yet, or still."""
    odds = period.odds
    outer = axis.x(begins.begins_at), max(axis.x(ends.ends_at), axis.x(begins.begins_at) + 2)
    core = axis.x(begins.ends_at), axis.x(ends.begins_at)
    kind, tall = period.level.word, {"y": _BAR_TOP, "height": _BAR_PX}
    found = [element("rect", x=outer[0], width=outer[1] - outer[0], class_=f"outer {kind}", **tall)]
    if core[1] > core[0]:
        found.append(element("rect", x=core[0], width=core[1] - core[0], class_=f"core {kind}", **tall))
    if begins.begins_at < begins.ends_at and axis.shows(period.begins_at):
        found.append(_tick(axis.x(period.begins_at)))
    if period.until is not None and not odds.goes_on and ends.begins_at < ends.ends_at:
        found.append(_tick(axis.x(period.until)))
    if odds.goes_on or period.until is None:
        x = axis.x(ends.ends_at)
        found.append(element("path", d=f"M{x} {_BAR_TOP}l10 {_BAR_PX // 2}-10 {_BAR_PX // 2}z", class_=f"outer {kind}"))
    return joined([*found, _level_word(kind, core, outer)])


def _level_word(word: str, core: tuple[int, int], outer: tuple[int, int]) -> Svg:
    """Return the level where there is room: in the solid part, else in the whole bar, else beside it."""
    room = round(width_of(word, 13, bold=True)) + 16
    if core[1] - core[0] >= room:
        return element("text", text(word), x=core[0] + 10, y=_BAR_TOP + 18, class_=f"level-word {word}-word")
    inside = outer[1] - outer[0] >= room
    x = outer[0] + 10 if inside else outer[1] + 14 if outer[1] + 6 + room <= WIDTH_PX else outer[0] - room
    return element("text", text(word), x=x, y=_BAR_TOP + 18, class_="level-word halo")


def _tick(x: int) -> Svg:
    return element("path", d=f"M{x} {_BAR_TOP - 5}v{_BAR_PX + 10}", class_="mark")


def _edge_words(period: Period, axis: Axis) -> Svg:
    """Return when it begins and ends above the bar; at one line's end where they would touch."""
    odds = period.odds
    begins = f"from {clock_z(period.begins_at)}{_between(odds.begins_between)}"
    until = _until_words(period).replace("ends about", "to").replace("its end is not known", "end not known")
    left = min(axis.x(period.begins_at), _RIGHT - round(width_of(begins, 12)) - round(width_of(until, 12)) - 24)
    right = axis.x(period.until if period.until is not None else period.begins_at + _OPEN)
    first = max(left, 0)
    least = first + width_of(begins, 12) + 16 + width_of(until, 12)
    return joined(
        [
            element("text", text(begins), x=first, y=_BAR_TOP - 10, class_="halo"),
            element(
                "text",
                text(until),
                x=min(max(right, round(least)), _RIGHT),
                y=_BAR_TOP - 10,
                text_anchor="end",
                class_="halo",
            ),
        ]
    )
