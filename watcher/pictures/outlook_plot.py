"""A station's day and a half in one large picture: what was reported, what is expected, and what the TAF says of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise

from watcher.pictures import axis as axes
from watcher.pictures import taf_chart
from watcher.pictures.axis import Axis, Span
from watcher.pictures.band_model import BEHIND, Band, Weather
from watcher.pictures.band_weather import FIRM
from watcher.pictures.band_words import sentence
from watcher.pictures.labels import cut_to, day, width_of
from watcher.pictures.marks import shape
from watcher.pictures.outlook_lines import frost_chance, temperatures
from watcher.pictures.outlook_values import level_words, levels_of, readings_of, told
from watcher.pictures.sheet import NARROW_PX, chart
from watcher.pictures.strip_blocks import Block
from watcher.pictures.svg import Svg, element, joined, text
from watcher.reports.model import Forecast
from watcher.rulebook.words import Certainty
from watcher.units import clock_z

LEAST_AHEAD, MOST_AHEAD = timedelta(hours=18), timedelta(hours=30)
_NARROW_BEHIND, _NARROW_AHEAD = timedelta(hours=4), timedelta(hours=14)
_HEAD_PX, _LANE_PX, _LEVEL_PX, _GAP_PX = 20, 20, 22, 22
_HATCH_PX, _MARK_PX = 12, 14
_MOST_LANES = 4
_HOUR = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Layout:
    """Where things go. `left`, `right`: edges of the plot; labels stand outside of them."""

    width: int
    left: int
    right: int
    warmth_px: int
    chance_px: int

    @classmethod
    def of(cls, width: int) -> Layout:
        """Return the layout for a width in px."""
        if width < NARROW_PX:
            return cls(width, 48, width - 96, 130, 56)
        return cls(width, 56, width - 144, 176, 70)

    @property
    def narrow(self) -> bool:
        """Whether it is for a phone."""
        return self.width < NARROW_PX


def ahead_of(forecast: Forecast | None, now: datetime) -> timedelta:
    """Return how far ahead is shown: 18 hours, and to the end of the TAF, at most 30."""
    if forecast is None or forecast.ends_at is None or forecast.cancelled or forecast.nil:
        return LEAST_AHEAD
    hours = -((now - forecast.ends_at) // _HOUR)
    return min(max(hours * _HOUR, LEAST_AHEAD), MOST_AHEAD)


def outlook_picture(band: Band, forecast: Forecast | None, *, zone: str | None, width: int = 1000) -> str:
    """Return the outlook of a station as an inline SVG.

    Parameters
    ----------
    band
        What was and is expected; made for `ahead_of` the same TAF.
    forecast
        The TAF in force; None: there is none.
    zone
        IANA zone of the station, for local times; None: Z only.
    width
        In px; below 600 it is laid out for a phone and shows fewer hours.
    """
    layout = Layout.of(width)
    axis = _axis(band, forecast, layout)
    spells = _spells(band.weather, axis)
    bars = taf_chart.taf_bars(forecast, axis)
    weather_top = _HEAD_PX + 16
    warm_top = weather_top + _LANE_PX * max((spell.lane + 1 for spell in spells), default=1) + 14
    warm_end = warm_top + layout.warmth_px
    chance_top = warm_end + _GAP_PX + 8
    chance_end = chance_top + layout.chance_px
    levels_top = chance_end + _GAP_PX
    taf_top = levels_top + _LEVEL_PX + _GAP_PX
    bottom = taf_top + max(taf_chart.rows_px(bars), 18)
    parts = [
        _nights(band, axis, weather_top, bottom),
        axes.grid(axis, weather_top, bottom),
        _days(axis, bottom, layout, band.now),
        _blind(band, axis, weather_top, levels_top + _LEVEL_PX),
        _weather(spells, axis, weather_top),
        temperatures(band, axis, warm_top, warm_end, narrow=layout.narrow),
        _caption(_chance_caption(layout), axis, chance_top - 9, layout),
        frost_chance(band, axis, chance_top, chance_end),
        _caption("level", axis, levels_top - 5, layout),
        _levels(levels_of(band), axis, levels_top),
        _caption(_taf_caption(forecast), axis, taf_top - 6, layout),
        _now(band.now, axis, bottom),
        *_hits(band, axis, weather_top, levels_top + _LEVEL_PX, zone),
        taf_chart.drawn(bars, taf_top, zone),
        axes.times(axis, bottom + 2, zone),
    ]
    said = sentence(band, band.now)
    return chart("outlook-picture", parts, width=width, height=bottom + 2 + axes.FOOT_PX, said=said)


def _axis(band: Band, forecast: Forecast | None, layout: Layout) -> Axis:
    behind, ahead = (_NARROW_BEHIND, _NARROW_AHEAD) if layout.narrow else (BEHIND, ahead_of(forecast, band.now))
    return Axis(band.now - behind, band.now + ahead, layout.left, layout.right, layout.width, 60)


def _chance_caption(layout: Layout) -> str:
    return "chance that frost forms" if layout.narrow else "chance that frost forms on the worst part of a parked wing"


def _taf_caption(forecast: Forecast | None) -> str:
    if forecast is None:
        return "no TAF"
    if forecast.cancelled or forecast.nil:
        return f"TAF of {clock_z(forecast.issued_at)} {'cancelled' if forecast.cancelled else 'is empty'}"
    return f"TAF of {clock_z(forecast.issued_at)}"


def _caption(words: str, axis: Axis, y: int, layout: Layout) -> Svg:
    return element("text", text(cut_to(words, layout.width - axis.left, 12)), x=axis.left, y=y, class_="soft")


def _nights(band: Band, axis: Axis, top: int, bottom: int) -> Svg:
    spans = [Span(span.begins_at, span.ends_at or band.ends_at) for span in band.nights or ()]
    return axes.shaded(axis, spans, top, bottom)


def _days(axis: Axis, bottom: int, layout: Layout, now: datetime) -> Svg:
    """Return the day at each midnight in Z, where the word of the present does not stand."""
    at = axis.begins_at.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    found = []
    while at < axis.ends_at:
        shown = max(at, axis.begins_at)
        x, words = axis.x(shown), day(shown.astimezone(UTC))
        room = x + width_of(words, 12) <= layout.right and abs(axis.x(now) - x - 30) > 76
        if at > axis.begins_at:
            found.append(element("path", d=f"M{x} {_HEAD_PX}V{bottom}", class_="base"))
        if room:
            found.append(element("text", text(words), x=x + 3 * (at > axis.begins_at), y=12, class_="soft"))
        at += timedelta(days=1)
    return joined(found)


def _now(now: datetime, axis: Axis, bottom: int) -> Svg:
    x = axis.x(now)
    return joined(
        [
            element("path", d=f"M{x} {_HEAD_PX}V{bottom}", class_="mark"),
            element("text", text(f"now {clock_z(now)}"), x=x, y=13, text_anchor="middle", class_="bold"),
        ]
    )


def _blind(band: Band, axis: Axis, top: int, bottom: int) -> Svg:
    """Return strokes over the times of which no report says what the weather was."""
    found = []
    for span in band.blind:
        left, right = axis.x(span.begins_at), axis.x(span.ends_at or band.now)
        if left < right:
            found.append(element("path", d="".join(_strokes(left, right, top, bottom)), class_="blind-ground"))
            if right - left > 44:
                x, y = (left + right) // 2, (top + bottom) // 2
                found.append(element("text", text("blind"), x=x, y=y, text_anchor="middle", class_="bold halo"))
    return joined(found)


def _strokes(left: int, right: int, top: int, bottom: int) -> Iterator[str]:
    for start in range(left - (bottom - top), right, _HATCH_PX):
        first, last = max(start, left), min(start + bottom - top, right)
        if first < last:
            yield f"M{first} {bottom - (first - start)}L{last} {bottom - (last - start)}"


@dataclass(frozen=True, slots=True)
class _Spell:
    """One stretch of weather in its lane. `words`: "" where it is named already, or no lane has room for them."""

    weather: Weather
    words: str
    left: int
    right: int
    lane: int


def _spells(weather: Sequence[Weather], axis: Axis) -> list[_Spell]:
    """Return the weather in lanes in which neither line nor word lies over another, what is reported or firm first."""
    free = [0.0] * _MOST_LANES
    found: list[_Spell] = []
    for item in sorted(weather, key=lambda item: (_kind(item) == "loose", item.begins_at)):
        left, right = axis.x(item.begins_at), axis.x(item.ends_at)
        if left >= right:
            continue
        before = next((each for each in found if each.right == left and each.weather.codes == item.codes), None)
        if before is not None and _kind(item) == "firm":
            # What is reported and goes on in the TAF is named once.
            found.append(_Spell(item, "", left, right, before.lane))
            free[before.lane] = max(free[before.lane], float(right))
            continue
        words = _code(item)
        until = left + width_of(words, 12, bold=True) + 6
        fits = (lane for lane in range(_MOST_LANES) if free[lane] <= left and until <= axis.width)
        lane = next(fits, None)
        if lane is None:
            lane = next((lane for lane in range(_MOST_LANES) if free[lane] <= left), _MOST_LANES - 1)
            words, until = "", 0.0
        free[lane] = max(until, float(right))
        found.append(_Spell(item, words, left, right, lane))
    return found


def _kind(item: Weather) -> str:
    return "reported" if item.certainty is None else "firm" if item.certainty in FIRM else "loose"


def _code(item: Weather) -> str:
    """Return the code with how sure it is, as short as can be."""
    words = " ".join(item.codes)
    if item.certainty is None or item.certainty in FIRM:
        return words
    how = {Certainty.TEMPORARY: "at times"}.get(item.certainty, item.certainty.value.removeprefix("probability "))
    return f"{words} {how.replace(', temporary', ' at times')}"


def _weather(spells: Sequence[_Spell], axis: Axis, top: int) -> Svg:
    if not spells:
        words = "nothing freezing or falling reported or forecast"
        return element("text", text(cut_to(words, axis.right - axis.left, 12)), x=axis.left, y=top + 13, class_="soft")
    return joined(_spell(spell, top + _LANE_PX * spell.lane) for spell in spells)


def _spell(spell: _Spell, y: int) -> Svg:
    """Return the code over a line that is as long as the weather lasts."""
    item, until = spell.weather, max(spell.right, spell.left + 3)
    parts = [
        element("title", text(f"{_code(item)}, {clock_z(item.begins_at)} to {clock_z(item.ends_at)}")),
        element("path", d=f"M{spell.left} {y + 18}H{until}", class_=f"spell {_kind(item)}"),
    ]
    if spell.words:
        parts.append(element("text", text(spell.words), x=spell.left + 1, y=y + 13, class_="bold halo"))
    return element("g", *parts)


def _levels(row: Sequence[Block], axis: Axis, top: int) -> Svg:
    return joined(
        _level(block, left, right, top)
        for block in row
        if (left := axis.x(block.begins_at)) < (right := axis.x(block.ends_at))
    )


def _level(block: Block, left: int, right: int, top: int) -> Svg:
    """Return a block with its word; with its mark alone where the word finds no room."""
    kind, ahead, room = block.level.word, block.sure != "o", right - left - 10
    span = f"{clock_z(block.begins_at)} to {clock_z(block.ends_at)}"
    parts = [
        element("title", text(f"{level_words(block)}, {span}")),
        element("rect", x=left, y=top, width=right - left, height=_LEVEL_PX, class_=f"{kind}{' ahead' * ahead}"),
    ]
    longest = (f"{kind}, {block.flag.value}", kind)
    words = next((words for words in longest if width_of(words, 12, bold=True) <= room), None)
    tone = "bold" if ahead else f"bold {kind}-word"
    if words is not None:
        parts.append(element("text", text(words), x=left + 6, y=top + 15, class_=tone))
    elif right - left >= _MARK_PX + 2:
        at = {"x": (left + right - _MARK_PX) / 2, "y": top + (_LEVEL_PX - _MARK_PX) / 2}
        size = {"width": _MARK_PX, "height": _MARK_PX}
        inked = "level-mark solid" if kind == "no-time" and not ahead else "level-mark"
        parts.append(element("svg", shape(kind), viewBox="0 0 24 24", class_=inked, **at, **size))
    return element("g", *parts)


def _hits(band: Band, axis: Axis, top: int, bottom: int, zone: str | None) -> list[Svg]:
    """Return a column for each report and step that tells its figures where it is pointed at."""
    readings = [reading for reading in readings_of(band) if axis.shows(reading.at)]
    if not readings:
        return []
    xs = [axis.x(reading.at) for reading in readings]
    edges = [max(axis.left, xs[0] - 8), *((a + b) // 2 for a, b in pairwise(xs)), min(axis.right, xs[-1] + 8)]
    return [
        element(
            "g",
            element("title", text(told(reading, zone))),
            element("rect", x=left, y=top, width=max(right - left, 1), height=bottom - top, class_="hit"),
        )
        for reading, (left, right) in zip(readings, pairwise(edges), strict=True)
    ]
