"""Messages day by day, and two rulebooks side by side."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from watcher.pictures.labels import width_of
from watcher.pictures.sheet import NARROW_PX, chart, pair
from watcher.pictures.svg import Svg, element, joined, text
from watcher.replay.comparison.model import Change, Row
from watcher.replay.messages import MessageLoad
from watcher.replay.report_page.words import flag_words, grouped
from watcher.rulebook.words import Flag

_WIDE_PX, _PHONE_PX = 960, 340
_BARS_PX, _TOP = 110, 24
_DAY = timedelta(days=1)
# So many bars have room; longer times are added up by weeks, then by months.
_MOST_BARS, _MOST_BARS_NARROW = 160, 60
_COMPARED_ROW_PX, _COMPARED_BAR_PX = 62, 20


@dataclass(frozen=True, slots=True)
class _Bars:
    """Messages by day, week or month. `unit`: which of them."""

    unit: str
    days: int
    first: date
    counts: tuple[int, ...]


def load_picture(load: MessageLoad, begin: date, end: date) -> str:
    """Return the messages of one destination by day; where there are many days, by week or by 30 days.

    Parameters
    ----------
    load
        What it would have got.
    begin, end
        The first and the last day.
    """
    return pair(_load(load, begin, end, _WIDE_PX), _load(load, begin, end, _PHONE_PX))


def _load(load: MessageLoad, begin: date, end: date, width: int) -> str:
    narrow = width < NARROW_PX
    bars = _bars(load.by_day, begin, end, _MOST_BARS_NARROW if narrow else _MOST_BARS)
    most = max(*bars.counts, 1) if bars.counts else 1
    left, bottom = 44, _TOP + _BARS_PX
    step = (width - left) / max(1, len(bars.counts))
    found = [
        element("text", text(f"messages a {bars.unit}"), x=0, y=12, class_="soft"),
        *_rule(most, left, width, bottom),
    ]
    for place, count in enumerate(bars.counts):
        if count:
            tall = max(1, round(_BARS_PX * count / most))
            gap = 1 if step > 4 else 0
            box = {"x": round(left + place * step, 1), "y": bottom - tall, "width": round(max(step - gap, 0.8), 1)}
            found.append(element("rect", **box, height=tall, class_="told-ahead"))
    found.append(element("path", d=f"M{left} {bottom}H{width}", class_="base"))
    found.append(_days(bars, left, width, bottom))
    said = (
        f"Messages to {load.destination}: {load.messages} in {load.days} days, {load.a_day:.1f} a day"
        + (f", most on {load.busiest_day[0]:%d %b %Y}: {load.busiest_day[1]}" if load.busiest_day else "")
        + "."
    )
    return chart("load-days", found, width=width, height=bottom + 24, said=said)


def _rule(most: int, left: int, width: int, bottom: int) -> list[Svg]:
    found = []
    for count in sorted({most, most // 2} - {0}):
        y = round(bottom - _BARS_PX * count / most)
        found.append(element("path", d=f"M{left} {y}H{width}", class_="grid"))
        found.append(element("text", text(grouped(count)), x=left - 6, y=y + 4, text_anchor="end", class_="soft"))
    return found


def _bars(by_day: Mapping[date, int], begin: date, end: date, most: int) -> _Bars:
    days = max(1, (end - begin) // _DAY + 1)
    unit, size = "day", 1
    if days > most:
        unit, size = ("week", 7) if days <= 7 * most else ("30 days", 30)
    counts = [0] * -(-days // size)
    for day, count in by_day.items():
        place = (day - begin) // _DAY // size
        if 0 <= place < len(counts):
            counts[place] += count
    return _Bars(unit, size, begin, tuple(counts))


def _days(bars: _Bars, left: int, width: int, bottom: int) -> Svg:
    """Return a few days beneath, none on top of another."""
    found, free = [], float(left)
    step = (width - left) / max(1, len(bars.counts))
    every = max(1, round(110 / step))
    for place in range(0, len(bars.counts), every):
        words = f"{bars.first + place * bars.days * _DAY:%-d %b %Y}"
        x = left + place * step
        if x >= free and x + width_of(words, 12) <= width:
            found.append(element("text", text(words), x=round(x), y=bottom + 17, class_="soft"))
            free = x + width_of(words, 12) + 12
    return joined(found)


def compared_picture(by_flag: Mapping[Flag, Row], now: str, other: str) -> str:
    """Return for each flag that differs the alerts of both rulebooks: what only one opens, what differs, what does not.

    Parameters
    ----------
    by_flag
        As a comparison counts them.
    now, other
        The names of both.
    """
    rows = [(flag, row) for flag, row in by_flag.items() if any(row.changes.values())]
    return pair(_compared(rows, now, other, _WIDE_PX), _compared(rows, now, other, _PHONE_PX)) if rows else ""


def _compared(rows: Sequence[tuple[Flag, Row]], now: str, other: str, width: int) -> str:
    narrow = width < NARROW_PX
    left, right = (0, width - 40) if narrow else (230, width - 60)
    most = max(max(row.now, row.other) for _, row in rows)
    row_px = _COMPARED_ROW_PX + (18 if narrow else 0)
    found, top = [_compared_legend(narrow=narrow)], 30 if not narrow else 50
    for number, (flag, row) in enumerate(rows):
        y = top + number * row_px
        changed = sum(row.changes.get(change, 0) for change in Change) - row.changes.get(Change.NEW, 0)
        changed -= row.changes.get(Change.GONE, 0)
        found.append(element("text", text(flag_words(flag.value)), x=0, y=y + 14, class_="bold"))
        y += 18 if narrow else 0
        sides = ((row.changes.get(Change.GONE, 0), row.now), (row.changes.get(Change.NEW, 0), row.other))
        for place, (alone, total) in enumerate(sides):
            at = y + place * (_COMPARED_BAR_PX + 3)
            found.append(_side((row.same, changed, alone), most, left, right, at))
            x = left + (right - left) * total / most
            found.append(element("text", text(grouped(total)), x=round(x + 6), y=at + 14))
    height = top + len(rows) * row_px
    return chart("compared", found, width=width, height=height, said=_compared_said(rows, now, other))


def _side(counts: tuple[int, int, int], most: int, left: int, right: int, y: int) -> Svg:
    found, x = [], float(left)
    for part, count in zip(("same", "changed", "alone"), counts, strict=True):
        size = (right - left) * count / most
        if count:
            box = {"x": round(x, 1), "y": y, "width": round(max(size, 1), 1), "height": _COMPARED_BAR_PX}
            found.append(element("rect", **box, class_=f"side-{part}"))
        x += size
    return joined(found)


def _compared_legend(*, narrow: bool) -> Svg:
    found, x, y = [], 0.0, 4
    parts = (("same", "the same in both"), ("changed", "other level or time"), ("alone", "only here"))
    for part, words in parts:
        if narrow and x and x + width_of(words, 12) + 22 > _PHONE_PX:
            x, y = 0.0, y + 20
        found.append(element("rect", x=round(x), y=y, width=16, height=12, class_=f"side-{part}"))
        found.append(element("text", text(words), x=round(x + 22), y=y + 10))
        x += 22 + width_of(words, 12) + 20
    return joined(found)


def _compared_said(rows: Sequence[tuple[Flag, Row]], now: str, other: str) -> str:
    told = [
        f"{flag_words(flag.value)}: {row.now} alerts by {now}, {row.other} by {other}, {row.same} the same, "
        f"{row.changes.get(Change.GONE, 0)} gone, {row.changes.get(Change.NEW, 0)} new"
        for flag, row in rows
    ]
    return f"Alerts by both rulebooks. {'; '.join(told)}."
