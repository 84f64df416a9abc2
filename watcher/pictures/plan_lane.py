"""One place of a plan on the time axis: its steps, its holdover time, the take-off beneath, and the bleed waits."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

from watcher.pictures.axis import Axis
from watcher.pictures.labels import breakable, chance, cut_to, in_row, width_of
from watcher.pictures.svg import Svg, element, joined, text
from watcher.treatment.plan_words import WITHOUT_MINUTES
from watcher.treatment.planned import Moments, Option, Stage
from watcher.units import clock_z

_TITLE_PX, _STAGES_PX, _ROW_PX, _NARROW_ROW_PX, _LINE_PX = 24, 50, 24, 34, 16
_BAR_PX = 12
# Names of short steps may go beyond the chain by so much at each side.
_BESIDE_PX = 60
_TREATMENT = frozenset({"de-icing", "final application"})
_WAITS = frozenset({"wait for treatment", "queue"})


@dataclass(frozen=True, slots=True)
class Lane:
    """One option on the axis. `chosen`: it is the recommended one."""

    option: Option
    axis: Axis
    narrow: bool
    chosen: bool


class _Row(NamedTuple):
    """`name` and `figures` in words; `drawn` at the middle 0."""

    name: str
    figures: str
    begins_at: datetime
    ends_at: datetime
    drawn: Svg


def lane_px(item: Lane) -> int:
    """Return how high a lane is."""
    rows = len(list(_rows(item)))
    if item.narrow:
        return _TITLE_PX + _verdict_px(item) + _STAGES_PX + rows * _NARROW_ROW_PX
    return _TITLE_PX + _STAGES_PX + rows * _ROW_PX


def lane(item: Lane, top: int) -> Svg:
    """Return a lane. `top`: its upper edge in px."""
    option, axis = item.option, item.axis
    edge = element("path", d=f"M0 {top - 4}H{axis.right if item.narrow else axis.right + 160}", class_="base")
    found = [edge, _title(item, top), joined(_verdict(item, top))]
    y = top + _TITLE_PX + (_verdict_px(item) if item.narrow else 0)
    found += [_call(item, y), _stages(option.stages, axis, y)]
    y += _STAGES_PX
    found += [_lower_line(item, y)]
    for row in _rows(item):
        found.append(_row(row, item, y))
        y += _NARROW_ROW_PX if item.narrow else _ROW_PX
    return joined(found)


def spoken(option: Option) -> str:
    """Return a place in one clause, for those who do not see the drawing."""
    said = [f"{option.place.value} {verdict_word(option)}"]
    if option.call_by is not None:
        said.append(_call_words(option))
    if option.take_off is not None:
        said.append(f"take-off {_between(option.take_off)}")
    within = _within(option)
    return ", ".join([*said, *within])


def verdict_word(option: Option) -> str:
    """Return whether the protection lasts to the take-off, as a word."""
    if option.not_offered is not None:
        return "not offered"
    return "cannot be told" if option.verdict is None else option.verdict.value.replace("-", " ")


def _call_words(option: Option) -> str:
    if option.call_by is None:
        return ""
    return (
        f"call now, late since {clock_z(option.call_by)}" if option.call_late else f"call by {clock_z(option.call_by)}"
    )


def _title(item: Lane, top: int) -> Svg:
    option = item.option
    place = option.place.value
    fluid = "" if option.fluid is None else f", {option.fluid.type} {option.fluid.mix}"
    beside = f"{option.site}{fluid}"
    x = 0 if item.narrow else item.axis.left
    room = item.axis.right - x - (width_of(place, 15, bold=True) + 12 if item.narrow else 0)
    head = element("text", text(place), x=0, y=top + 15, class_="head halo")
    shown = text(cut_to(beside, room, 12))
    if item.narrow:
        return Svg(head + element("text", shown, x=item.axis.right, y=top + 15, text_anchor="end", class_="soft halo"))
    return Svg(head + element("text", shown, x=x, y=top + 15, class_="soft halo"))


def _verdict(item: Lane, top: int) -> Iterator[Svg]:
    """Yield the verdict at the end of the lane: a box with the word, and the chances beneath or beside it."""
    word = verdict_word(item.option)
    kind = "not-told" if item.option.verdict is None else item.option.verdict.value
    x, y = (0, top + _TITLE_PX) if item.narrow else (item.axis.right + 16, top + 4)
    yield element("rect", x=x, y=y, width=_verdict_width(item), height=22, rx=3, class_=kind)
    yield element("text", text(word), x=x + 10, y=y + 15, class_=f"bold {kind}-word")
    first, beside = (y + 15, x + _verdict_width(item) + 8) if item.narrow else (y + 40, x)
    for row, line in enumerate(_beside_verdict(item)):
        shown = "bold halo" if line == "recommended" else "halo"
        yield element("text", text(line), x=beside, y=first + _LINE_PX * row, class_=shown)


def _beside_verdict(item: Lane) -> list[str]:
    said = _within(item.option)
    if said and item.option.holdover is not None and item.option.holdover.training:
        said.append("training")
    if item.chosen:
        said.insert(0, "recommended")
    if not item.narrow:
        return said
    return breakable(", ".join(said), item.axis.right - _verdict_width(item) - 8, 12)


def _verdict_width(item: Lane) -> int:
    return round(width_of(verdict_word(item.option), 12, bold=True)) + 20


def _verdict_px(item: Lane) -> int:
    """Return how high the verdict of a narrow lane is."""
    return 14 + _LINE_PX * max(1, len(_beside_verdict(item)))


def _within(option: Option) -> list[str]:
    found = []
    if option.p_within_lower is not None:
        found.append(f"{chance(option.p_within_lower)} within lower")
    if option.p_within_upper is not None:
        found.append(f"{chance(option.p_within_upper)} within upper")
    if option.p_no_time:
        found.append(f"{chance(option.p_no_time)} no time exists")
    if option.p_slot is not None:
        found.append(f"{chance(option.p_slot)} meets the slot")
    return found


def _call(item: Lane, y: int) -> Svg:
    """Return the latest sensible call: in words in the margin, and as a flag on the axis."""
    option, axis = item.option, item.axis
    if option.call_by is None:
        return Svg("")
    words = _call_words(option)
    x = axis.x(option.call_by)
    flag = element("path", d=f"M{x} {y + 22}v-22l10 5-10 5", class_="flag")
    shown = "bold over-word" if option.call_late else "bold"
    if item.narrow:
        return Svg(flag + element("text", text(words), x=x + 14, y=y + 9, class_=f"{shown} halo"))
    return Svg(flag + element("text", text(words), x=0, y=y + 15, class_=shown))


def _stages(stages: tuple[Stage, ...], axis: Axis, y: int) -> Svg:
    """Return the steps as blocks with their names beneath, as many as there is room for, the treatment's first."""
    found, named = [], list[tuple[Stage, int]]()
    for stage in stages:
        left, right = axis.x(stage.begins.p50), axis.x(stage.ends.p50)
        kind = "work" if stage.name in _TREATMENT else "idle" if stage.name in _WAITS else "block"
        title = element("title", text(f"{stage.name} {clock_z(stage.begins.p50)} to {clock_z(stage.ends.p50)}"))
        bar = element("rect", x=left, y=y + 14, width=max(right - left, 1), height=14, class_=kind)
        found.append(element("g", title, bar))
        if right > left:
            named.append((stage, (left + right) // 2))
    sizes = [width_of(stage.name, 11, bold=stage.name in _TREATMENT) + 10 for stage, _ in named]
    room = min(axis.x(stages[-1].ends.p50) - axis.x(stages[0].begins.p50) + 2 * _BESIDE_PX, axis.right - axis.left)
    while sum(sizes) > room and any(stage.name not in _TREATMENT for stage, _ in named):
        # The longest name that is no treatment goes; pointing at its block still tells it.
        longest = max(range(len(named)), key=lambda number: (named[number][0].name not in _TREATMENT, sizes[number]))
        del named[longest], sizes[longest]
    places = in_row([middle for _, middle in named], sizes, axis.left - 2, axis.right + 2)
    for (stage, middle), place in zip(named, places, strict=True):
        found.append(element("path", d=f"M{middle} {y + 28}L{round(place)} {y + 34}", class_="lead"))
        shown = "small bold halo" if stage.name in _TREATMENT else "small halo"
        found.append(element("text", text(stage.name), x=round(place), y=y + 44, text_anchor="middle", class_=shown))
    return joined(found)


def _rows(item: Lane) -> Iterator[_Row]:
    option, axis = item.option, item.axis
    clocks, answer, take_off = option.clocks, option.holdover, option.take_off
    if clocks is not None and answer is not None:
        yield _holdover(option, axis)
    if take_off is not None:
        yield _Row("take-off", _between(take_off), take_off.p10, take_off.p90, _whisker(take_off, axis))
    ends = option.times["EEZT"].p50 if option.times is not None else None
    waits = (
        ()
        if clocks is None
        else (("engine bleeds", clocks.engine_bleed_wait_ends), ("APU bleed", clocks.apu_bleed_wait_ends))
    )
    for name, until in waits:
        if until is not None and ends is not None:
            yield _Row(name, f"wait ends {clock_z(until)}", ends, until, _wait(ends, until, axis))


def _holdover(option: Option, axis: Axis) -> _Row:
    """Return the holdover time from its start: solid to the lower end, faint up to the upper one."""
    clocks, answer = option.clocks, option.holdover
    assert clocks is not None
    assert answer is not None
    lower, upper, starts_at = clocks.lower_ends_at, clocks.upper_ends_at, clocks.starts_at
    if lower is None:
        words = WITHOUT_MINUTES.get(answer.outcome, "no minutes")
        return _Row("holdover", words, starts_at, starts_at, Svg(""))
    x, low = axis.x(starts_at), axis.x(lower)
    bars = [element("rect", x=x, y=-_BAR_PX // 2, width=max(low - x, 1), height=_BAR_PX, class_="lower")]
    if upper is not None and upper > lower:
        bars.insert(
            0, element("rect", x=low, y=-_BAR_PX // 2, width=axis.x(upper) - low, height=_BAR_PX, class_="upper")
        )
    training = " training" if answer.training else ""
    ends = clock_z(lower) if upper is None or upper == lower else f"{clock_z(lower)} to {clock_z(upper)}"
    return _Row("holdover ends", f"{ends}{training}", starts_at, upper or lower, joined(bars))


def _whisker(moments: Moments, axis: Axis) -> Svg:
    first, middle, last = (axis.x(at) for at in (moments.p10, moments.p50, moments.p90))
    way = f"M{first} 0H{last}M{first} -5V5M{last} -5V5"
    return Svg(element("path", d=way, class_="whisker") + element("circle", cx=middle, cy=0, r=5, class_="dot"))


def _wait(begins_at: datetime, ends_at: datetime, axis: Axis) -> Svg:
    first, last = axis.x(begins_at), axis.x(ends_at)
    return element("path", d=f"M{first} 0H{last}M{last} -5V5", class_="wait")


def _between(moments: Moments) -> str:
    if moments.p10 == moments.p90:
        return clock_z(moments.p50)
    return f"{clock_z(moments.p50)} ({clock_z(moments.p10)} to {clock_z(moments.p90)})"


def _lower_line(item: Lane, y: int) -> Svg:
    """Return a line from the lower end down to the take-off, so that one sees which comes first."""
    clocks = item.option.clocks
    if clocks is None or clocks.lower_ends_at is None or item.option.take_off is None:
        return Svg("")
    x, step = item.axis.x(clocks.lower_ends_at), _NARROW_ROW_PX if item.narrow else _ROW_PX
    first = y + (22 if item.narrow else 6)
    return element("path", d=f"M{x} {first}V{first + step + 12}", class_="limit")


def _row(row: _Row, item: Lane, top: int) -> Svg:
    middle = top + (24 if item.narrow else 12)
    drawn = element("g", row.drawn, transform=f"translate(0 {middle})") if row.drawn else Svg("")
    if item.narrow:
        return Svg(drawn + element("text", text(f"{row.name} {row.figures}"), x=0, y=top + 12, class_="halo"))
    name = element("text", text(row.name), x=0, y=middle + 4)
    x = item.axis.x(row.ends_at) + 10
    width = width_of(row.figures, 12)
    if x + width > item.axis.right + 8:
        x = max(item.axis.x(row.begins_at) - 10 - round(width), item.axis.left)
    return joined([drawn, name, element("text", text(row.figures), x=x, y=middle + 4, class_="halo")])
