"""A comparison of two rulebooks in words: which rules differ, what comes of it, and the differences themselves."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import timedelta
from itertools import zip_longest

from watcher.cli.replay_text import line, moment, row, wrapped
from watcher.replay.comparison.model import Change, Comparison, Difference, Row, Stretch
from watcher.replay.messages import MessageLoad
from watcher.rulebook.words import Kind
from watcher.units import clock_z, duration_text

_WIDTHS = (25, 10, 10, 8, 8, 8, 9, 10, 10)
_HEADS = ("", "in force", "other", "same", "new", "gone", "raised", "lowered", "shifted")
_LOAD_WIDTHS = (25, 12, 12, 17, 17, 17)
_LOAD_HEADS = ("messages", "in force", "other", "a day", "busiest hour", "at night")
_STATIONS, _LISTED = 10, 20
_ORDER = (Change.NEW, Change.GONE, Change.RAISED, Change.LOWERED, Change.SHIFTED)


def text_of(comparison: Comparison, scores: Iterable[str] = ()) -> Iterator[str]:
    """Yield the lines of a comparison for people; `scores`: those of both rulebooks, where they were asked for."""
    yield f"The rules in force held against {comparison.other.name}"
    yield from _rules(comparison)
    yield ""
    yield row(("alerts, by flag", *_HEADS[1:]), _WIDTHS)
    for flag, counts in comparison.by_flag.items():
        yield row((flag.value, *_cells(counts)), _WIDTHS)
    yield row(("all", *_cells(comparison.totals)), _WIDTHS)
    yield ""
    yield from _stations(comparison.by_station)
    loads = list(zip_longest(comparison.now.loads, comparison.other.loads))
    if loads:
        yield row(_LOAD_HEADS, _LOAD_WIDTHS)
        yield from (row(_load_cells(now, other), _LOAD_WIDTHS) for now, other in loads)
        yield ""
    yield from scores
    yield from _differences(comparison)
    yield ""


def _rules(comparison: Comparison) -> Iterator[str]:
    rules = comparison.rules
    for label, names in (("Only there", rules.added), ("Not there", rules.removed), ("Otherwise", rules.edited)):
        if names:
            yield from wrapped(", ".join(names), f"{label:<11}")
    if not rules.any:
        yield line("Rules", "both say the same; nothing can differ")


def _cells(counts: Row) -> tuple[str, ...]:
    return str(counts.now), str(counts.other), str(counts.same), *(str(counts.changes[item] or "-") for item in _ORDER)


def _stations(by_station: Mapping[str, Row]) -> Iterator[str]:
    if len(by_station) < 2:
        return
    differing = {code: counts for code, counts in by_station.items() if any(counts.changes.values())}
    worst = sorted(differing, key=lambda code: (-sum(differing[code].changes.values()), code))
    yield row((f"{len(differing)} of {len(by_station)} stations", *_HEADS[1:]), _WIDTHS)
    for code in worst[:_STATIONS]:
        yield row((code, *_cells(differing[code])), _WIDTHS)
    if len(worst) > _STATIONS:
        yield f"and {len(worst) - _STATIONS} more"
    yield ""


def _load_cells(now: MessageLoad | None, other: MessageLoad | None) -> tuple[str, ...]:
    either = now or other
    assert either is not None
    return (
        either.destination,
        f"{now.messages:,}" if now is not None else "-",
        f"{other.messages:,}" if other is not None else "-",
        f"{_a_day(now)} > {_a_day(other)}",
        f"{_most(now)} > {_most(other)}",
        f"{now.at_night if now is not None else '-'} > {other.at_night if other is not None else '-'}",
    )


def _a_day(load: MessageLoad | None) -> str:
    return f"{load.a_day:.1f}" if load is not None else "-"


def _most(load: MessageLoad | None) -> str:
    return str(load.busiest_hour[1]) if load is not None and load.busiest_hour is not None else "0"


def _differences(comparison: Comparison) -> Iterator[str]:
    found = comparison.differences
    if not found:
        yield "Nothing differs in this archive."
        return
    worst = sorted(found, key=lambda item: (item.change is Change.SHIFTED, -item.level, item.at))[:_LISTED]
    total = len(found) + comparison.left_out
    if total > _LISTED:
        yield f"The {_LISTED} gravest of {total:,} differences; --json lists {len(found):,}:"
    for item in sorted(worst, key=lambda item: (item.at, item.station, item.flag)):
        yield from wrapped(_words(item), f"{moment(item.at)}  ")


def _words(item: Difference) -> str:
    who = f"{item.station} {item.flag.value}"
    now, other = item.now, item.other
    if now is None or other is None:
        side = now or other
        assert side is not None
        return f"{item.change.value}: {who} {side.level.word}{_ahead(side)}, {_span(side)} ({', '.join(side.rules)})"
    levels = f"{now.level.word} > {other.level.word}" if now.level is not other.level else now.level.word
    return f"{item.change.value}: {who} {levels}, {'; '.join(_moves(item, now, other)) or 'same times'}"


def _moves(item: Difference, now: Stretch, other: Stretch) -> Iterator[str]:
    opens, ends = item.opens_later_by, item.ends_later_by
    if opens:
        yield f"opens {_shift(opens)}"
    reached = other.reached_at - now.reached_at
    if now.level is other.level and reached and reached != opens:
        yield f"is {now.level.word} {_shift(reached)}"
    if ends:
        yield f"ends {_shift(ends)}"
    elif now.ended_at is None and other.ended_at is not None:
        yield f"ends {moment(other.ended_at)}, was open to the last"
    elif now.ended_at is not None and other.ended_at is None:
        yield "stays open to the last"
    if len(now.episodes) != len(other.episodes):
        yield f"{len(now.episodes)} > {len(other.episodes)} episodes"
    if now.kinds != other.kinds:
        yield f"{_kinds(now)} > {_kinds(other)}"


def _shift(by: timedelta) -> str:
    return f"{duration_text(abs(by))} {'later' if by > timedelta() else 'earlier'}"


def _span(side: Stretch) -> str:
    if side.ended_at is None:
        return "to the end of the archive"
    same_day = side.ended_at.date() == side.opened_at.date()
    return f"to {clock_z(side.ended_at) if same_day else moment(side.ended_at)}"


def _ahead(side: Stretch) -> str:
    return " expected" if side.kinds == {Kind.EXPECTED} else ""


def _kinds(side: Stretch) -> str:
    return " and ".join(sorted(side.kinds))
