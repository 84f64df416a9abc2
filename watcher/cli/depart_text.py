"""The plan of one departure in words, 80 columns wide: the choice and why, then the places side by side."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime

from watcher.notify.message import CAUTION
from watcher.notify.wording import plain
from watcher.treatment.plan_words import (
    DEFER,
    ages_words,
    asked_words,
    headline,
    holdover_words,
    is_training,
    need_words,
    span_words,
    tables_of,
    verdict_words,
)
from watcher.treatment.planned import Option, Plan
from watcher.units import clock_z, percent

COLUMNS = 80
_LABEL, _CELL, _ABREAST = 23, 19, 3


def text_of(plan: Plan, zone: str | None, raws: Sequence[str] = ()) -> str:
    """Return a plan for people.

    Parameters
    ----------
    plan
        What was computed.
    zone
        IANA zone of the station, for local times.
    raws
        The reports it rests on.

    Returns
    -------
    str
        Lines of at most 80 characters; the first two say the choice and why.
    """
    offered = [option for option in plan.options if option.not_offered is None]
    lines = [*_wrapped(headline(plan), ""), *_wrapped(plan.why, ""), ""]
    lines += [*_wrapped(asked_words(plan, zone), ""), *_wrapped(need_words(plan), ""), ""]
    for first in range(0, len(offered), _ABREAST):
        lines += [*_side_by_side(offered[first : first + _ABREAST]), ""]
    lines += _tables(offered)
    lines += [line for option in plan.options if option.not_offered for line in _wrapped(option.why, "- ")]
    lines += [line for note in plan.notes for line in _wrapped(note, "- ")]
    lines += [line for raw in raws for line in _wrapped(plain(raw), "  ")]
    lines += [*_wrapped(ages_words(plan), ""), *_wrapped(DEFER, ""), *_wrapped(CAUTION, "")]
    return "\n".join(lines)


def _side_by_side(options: Sequence[Option]) -> Iterator[str]:
    yield _row("", [option.place.value for option in options])
    yield _row("", [option.site for option in options])
    for label, cell in _rows():
        cells = [cell(option) for option in options]
        if any(cells):
            yield _row(label, [each or "-" for each in cells])


def _row(label: str, cells: Sequence[str]) -> str:
    shown = [each if len(each) < _CELL else f"{each[: _CELL - 2]}." for each in cells]
    return f"{label:<{_LABEL}}{''.join(f'{each:<{_CELL}}' for each in shown)}".rstrip()


def _rows() -> Iterator[tuple[str, Callable[[Option], str]]]:
    """Yield the lines of the comparison; a line in which nobody has anything to say is left out."""
    yield "protection", verdict_words
    yield "call by", lambda option: f"{_at(option.call_by)}{' late' if option.call_late else ''}"
    yield "ready (ERZT)", lambda option: _half(option, "ERZT")
    yield "commences (ECZT)", lambda option: _half(option, "ECZT")
    yield "fluid", lambda option: "" if option.fluid is None else option.fluid.name
    yield "final step from", lambda option: "" if option.clocks is None else clock_z(option.clocks.starts_at)
    yield "ends (EEZT)", lambda option: _half(option, "EEZT")
    yield "engine bleed wait ends", lambda option: _wait(option, engine=True)
    yield "APU bleed wait ends", lambda option: _wait(option, engine=False)
    yield "take-off (TTOT)", lambda option: _half(option, "TTOT")
    yield "  in 8 of 10", lambda option: "" if option.take_off is None else span_words(option.take_off)
    yield "holdover, lower", lambda option: holdover_words(option, lower=True)
    yield "holdover, upper", lambda option: holdover_words(option, lower=False)
    yield "off within lower", lambda option: _marked(option, option.p_within_lower)
    yield "off within upper", lambda option: _marked(option, option.p_within_upper)
    yield "no holdover time", lambda option: _marked(option, option.p_no_time or None)
    yield "slot met", lambda option: "" if option.p_slot is None else percent(option.p_slot)
    yield "fuel, waiting", lambda option: "" if option.fuel_kg is None else f"{option.fuel_kg:.0f} kg"
    yield "engines meanwhile", lambda option: "" if option.engines is None else option.engines.value
    yield "tables", lambda option: "training" if is_training(option) else ""


def _at(when: datetime | None) -> str:
    return "" if when is None else clock_z(when)


def _wait(option: Option, *, engine: bool) -> str:
    clocks = option.clocks
    if clocks is None:
        return ""
    return _at(clocks.engine_bleed_wait_ends if engine else clocks.apu_bleed_wait_ends)


def _half(option: Option, name: str) -> str:
    return "" if option.times is None else clock_z(option.times[name].p50)


def _marked(option: Option, p: float | None) -> str:
    if p is None:
        return ""
    return f"{percent(p)} training" if is_training(option) else percent(p)


def _tables(options: Sequence[Option]) -> Iterator[str]:
    """Yield which tables the holdover times are from, and how the weather was looked up, places alike together."""
    for (table, why), places in tables_of(options).items():
        front = f"{table}. " if table else ""
        yield from _wrapped(f"{', '.join(dict.fromkeys(places))}: {front}{why}", "- ")


def _wrapped(text: str, first: str) -> list[str]:
    return textwrap.wrap(text, COLUMNS, initial_indent=first, subsequent_indent=" " * len(first))
