"""How the report writes figures: a share never without its counts, few cases never as a percentage."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import NamedTuple

from watcher.notify.wording import when
from watcher.replay.scores.bootstrap import Interval
from watcher.replay.scores.estimate import Estimate
from watcher.replay.scores.ratios import SCORES
from watcher.replay.scores.subjects import ANY, Subject
from watcher.rulebook.words import Flag
from watcher.units import duration_text

NOTHING = "-"
# Smaller shares are written with a decimal.
_FINE_BELOW = 0.095
_FLAG_WORDS = {
    ANY: "any alert",
    Flag.DEICING_LIKELY.value: "de-icing likely",
    Flag.ANTI_ICING_LIKELY.value: "anti-icing likely",
    Flag.COLD_SOAKED_WING.value: "cold-soaked wing",
}
_SHARES = frozenset({"pod", "far", "pofd", "csi"})


class Figure(NamedTuple):
    """What a cell shows: the figure, and what it rests on beneath."""

    shown: str
    beneath: str


def share_text(value: float) -> str:
    """Return a share of counts in percent: ``65 %``, ``1.3 %``; not none and not all are never written so."""
    if 0 < value < 0.0005:
        return "<0.1 %"
    if 0.995 <= value < 1:
        return ">99 %"
    return f"{_percent(value, fine=value < _FINE_BELOW)} %"


def span_text(interval: Interval | None, *, percent: bool = True) -> str:
    """Return an interval: ``49-78 %``, ``0.58 to 0.68``; "" for none."""
    if interval is None:
        return ""
    if percent:
        fine = interval.high < _FINE_BELOW
        low, high = (_percent(end, fine=fine) for end in (interval.low, interval.high))
        return f"{low} %" if low == high else f"{low}-{high} %"
    # Rounded first, so that nothing is written as minus nothing.
    return f"{round(interval.low, 2) + 0.0:.2f} to {round(interval.high, 2) + 0.0:.2f}"


def _percent(value: float, *, fine: bool) -> str:
    return f"{100 * value:.1f}" if fine and value else f"{100 * value:.0f}"


def share_figure(estimate: Estimate) -> Figure:
    """Return a share as a cell: ``65 %`` over ``42 of 65, 49-78 %``; of few cases only the counts."""
    counts = f"{grouped(estimate.counted)} of {grouped(estimate.of)}"
    if estimate.value is None:
        return Figure(NOTHING, counts)
    span = span_text(estimate.interval)
    return Figure(share_text(estimate.value), f"{counts}, {span}" if span else counts)


def score_figure(name: str, estimate: Estimate) -> Figure:
    """Return a score as a cell: value, interval, and how many cases it rests on."""
    rests = f"n {grouped(estimate.of)}"
    if estimate.value is None:
        return Figure(NOTHING, rests)
    percent = name in _SHARES
    shown = share_text(estimate.value) if percent else f"{round(estimate.value, 2) + 0.0:.2f}"
    span = span_text(estimate.interval, percent=percent)
    return Figure(shown, f"{span}\n{rests}" if span else rests)


def share_in_words(estimate: Estimate) -> str:
    """Return a share within a sentence: ``42 of 65 (65 %, 49-78 %)``, ``3 of 4``."""
    counts = f"{grouped(estimate.counted)} of {grouped(estimate.of)}"
    if estimate.value is None:
        return counts
    span = span_text(estimate.interval)
    return f"{counts} ({share_text(estimate.value)}{f', {span}' if span else ''})"


def minutes_text(minutes: float) -> str:
    """Return a lead time: ``45 min``, ``4 h 38 min``, ``2 d 3 h``."""
    whole = timedelta(minutes=round(minutes))
    return duration_text(whole) if whole else "0 min"


def grouped(number: int | None) -> str:
    """Return a whole number with its thousands parted: ``35 000 000``; "-" for none."""
    # A narrow no-break space, so that no line breaks inside a number.
    return NOTHING if number is None else f"{number:,}".replace(",", "\u202f")


def counted(number: int, one: str, many: str | None = None) -> str:
    """Return a number with its noun: ``1 onset``, ``3 onsets``."""
    return f"{grouped(number)} {one if number == 1 else many or f'{one}s'}"


def dated(moment: datetime | None) -> str:
    """Return a time with its year, Z: ``12 Jan 2026 0550Z``."""
    if moment is None:
        return NOTHING
    day_month, clock = when(moment, None).rsplit(" ", 1)
    return f"{day_month} {moment.year} {clock}"


def flag_words(flag: str) -> str:
    """Return a flag as a sentence calls it: ``freezing precipitation``, ``any alert``."""
    return _FLAG_WORDS.get(flag, flag.replace("-", " "))


def level_words(subject: Subject) -> str:
    """Return from which level a subject counts: ``prepare or worse``, ``no-time``."""
    return subject.words.rpartition(", ")[2]


def score_words() -> list[tuple[str, str, str]]:
    """Return each score's short name, its name, and what it tells, for the legend."""
    return [(name.upper(), SCORES[name].words, _MEANINGS[name]) for name in SCORES]


_MEANINGS = {
    "pod": "of the hours before the weather, the share with an alert open; best 100 %",
    "far": "of the hours with an alert open, the share after which nothing came; best 0 %",
    "pofd": "of the hours after which nothing came, the share with an alert open; best 0 %",
    "bias": "hours warned over hours before the weather; best 1, above it warned too often",
    "csi": "of the hours warned or before the weather, the share that was both; best 100 %",
    "ets": "the same less what chance would give; best 1, no skill 0",
    "hss": "right answers less what chance would give; best 1, no skill 0",
}
