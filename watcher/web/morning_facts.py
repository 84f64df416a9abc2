"""The few figures at the top of a morning list, and what to do next."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from watcher.treatment.listed import HalfHour, Line, Morning, to_treat
from watcher.treatment.planned import Verdict
from watcher.units import clock_z, percent
from watcher.web.times import from_now

# So many are named, the others counted.
_NAMED = 4


@dataclass(frozen=True, slots=True)
class Fact:
    """One of the few figures at the top: its name, its figure, what belongs to it."""

    name: str
    figure: str
    beneath: str
    loud: bool = False


def first_call(made: Morning, code: str) -> datetime | None:
    """Return the first call at a station; None where there is none."""
    return min(
        (at for line in _wanted(made) if line.listed.departure.station == code for at in _calls(line)), default=None
    )


def _wanted(made: Morning) -> list[Line]:
    return [line for line in made.lines if to_treat(line)]


def _calls(line: Line) -> Iterator[datetime]:
    if line.option is not None and line.option.call_by is not None:
        yield line.option.call_by


def urgency(line: Line) -> tuple[datetime, str]:
    """Return what puts the departure first that is called first."""
    departure = line.listed.departure
    return next(_calls(line), departure.off_block), departure.name


def next_step(made: Morning, now: datetime) -> str:
    """Return what to do next, in trade words."""
    called = sorted((line for line in _wanted(made) if next(_calls(line), None) is not None), key=urgency)
    short = [_name(line) for line in called if _does_not_fit(line)]
    first = _first_step(made, called, now)
    if not short:
        return first
    return f"{first} Protection does not fit for {_some(short)}: look for later times, and plan each alone."


def _first_step(made: Morning, called: Sequence[Line], now: datetime) -> str:
    late = [f"{_name(line)} ({_site(line)})" for line in called if next(_calls(line)) <= now]
    if late:
        return f"Call now: {_some(late)}. The latest sensible call is past; tell those flights, they may leave later."
    if called:
        return f"Call {_site(called[0])} by {clock_z(next(_calls(called[0])))} for {_name(called[0])}."
    if any(line.option is None and line.need is None for line in made.lines):
        return "Some departures cannot be planned; see why below."
    return "No call is expected. Check each aircraft by hand; plan again with the next reports."


def _some(names: Sequence[str]) -> str:
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return f"{', '.join(names[:_NAMED])}{more}"


def _does_not_fit(line: Line) -> bool:
    return line.option is not None and line.option.verdict is Verdict.DOES_NOT_FIT


def _name(line: Line) -> str:
    return line.listed.departure.name


def _site(line: Line) -> str:
    return line.option.site if line.option is not None else "-"


def facts_of(made: Morning, now: datetime) -> Iterator[Fact]:
    """Yield the figures at the top: how many, the first call, the first treatment, the fullest half hour, the fluid."""
    wanted = _wanted(made)
    yield Fact("may need treatment", f"{len(wanted)} of {len(made.lines)}", "departures")
    yield from _beginning(wanted, now)
    if short := sum(_does_not_fit(line) for line in wanted):
        yield Fact("protection does not fit", f"{short} of {len(wanted)}", "at the best place left", loud=True)
    if made.load:
        yield _fullest(made.load)
    if made.litres:
        total = sum(amount.p50 for amount in made.litres.values())
        sizes = ", ".join(f"{size} {amount.p50:.0f}" for (_, size), amount in made.litres.items())
        yield Fact("fluid, half of the members need less", f"{total:.0f} litres", sizes)
    if told := [(half.p_broken, half) for half in made.load if half.p_broken is not None]:
        p_broken, half = max(told, key=lambda pair: pair[0])
        where = f"{clock_z(half.begins_at)}, {half.site}{', training' if made.training else ''}"
        yield Fact("most likely off past its lower end", percent(p_broken), where)


def _beginning(wanted: Sequence[Line], now: datetime) -> Iterator[Fact]:
    """Yield when the first truck is called and when it begins to treat."""
    first = min((line for line in wanted if next(_calls(line), None) is not None), key=urgency, default=None)
    if first is not None:
        at = next(_calls(first))
        beneath = f"{_name(first)}, {_site(first)}, {from_now(at, now)}"
        yield Fact("first truck is called by", clock_z(at), beneath, at <= now)
    starts = [(line.option.times["ECZT"].p50, line) for line in wanted if line.option is not None and line.option.times]
    if starts:
        at, line = min(starts, key=lambda pair: (pair[0], _name(pair[1])))
        yield Fact("first treatment commences", clock_z(at), f"{_name(line)}, {_site(line)}")


def _fullest(load: Sequence[HalfHour]) -> Fact:
    half = max(load, key=lambda half: (half.wait_min.p50, half.bays_busy.p50 / max(half.bays, 1)))
    wait = f"longest wait {half.wait_min.p50:.0f} min" if half.wait_min.p50 >= 1 else "no wait"
    figure = f"{half.bays_busy.p50:.1f} of {half.bays} bays"
    return Fact("fullest half hour", clock_z(half.begins_at), f"{half.site}: {figure}, {wait}", half.wait_min.p50 >= 10)
