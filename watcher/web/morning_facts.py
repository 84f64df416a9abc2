"""The few figures at the top of a morning list, and what to do next."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from watcher.treatment.listed import HalfHour, Line, Morning, to_treat
from watcher.units import clock_z, percent
from watcher.web.times import from_now


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
    wanted = sorted((line for line in _wanted(made) if next(_calls(line), None) is not None), key=urgency)
    late = [line for line in wanted if next(_calls(line)) <= now]
    if late:
        names = ", ".join(f"{_name(line)} ({_site(line)})" for line in late[:4])
        more = f" and {len(late) - 4} more" if len(late) > 4 else ""
        return (
            f"Call now: {names}{more}. The latest sensible call is past; tell those flights that they may leave later."
        )
    if wanted:
        first = wanted[0]
        return f"Call {_site(first)} by {clock_z(next(_calls(first)))} for {_name(first)}."
    if any(line.option is None and line.need is None for line in made.lines):
        return "Some departures cannot be planned; see why below."
    return "No call is expected. Check each aircraft by hand; plan again with the next reports."


def _name(line: Line) -> str:
    return line.listed.departure.name


def _site(line: Line) -> str:
    return line.option.site if line.option is not None else "-"


def facts_of(made: Morning, now: datetime) -> Iterator[Fact]:
    """Yield the figures at the top: how many, the first call, the first treatment, the fullest half hour, the fluid."""
    wanted = _wanted(made)
    yield Fact("may need treatment", f"{len(wanted)} of {len(made.lines)}", "departures")
    first = min((line for line in wanted if next(_calls(line), None) is not None), key=urgency, default=None)
    if first is not None:
        at = next(_calls(first))
        yield Fact(
            "first truck is called by", clock_z(at), f"{_name(first)}, {_site(first)}, {from_now(at, now)}", at <= now
        )
    starts = [(line.option.times["ECZT"].p50, line) for line in wanted if line.option is not None and line.option.times]
    if starts:
        at, line = min(starts, key=lambda pair: (pair[0], _name(pair[1])))
        yield Fact("first treatment commences", clock_z(at), f"{_name(line)}, {_site(line)}")
    if made.load:
        yield _fullest(made.load)
    if made.litres:
        total = sum(amount.p50 for amount in made.litres.values())
        sizes = ", ".join(f"{size} {amount.p50:.0f}" for (_, size), amount in made.litres.items())
        yield Fact("fluid, half of the members need less", f"{total:.0f} litres", sizes)
    told = [half.p_broken for half in made.load if half.p_broken is not None]
    if told:
        half = max((half for half in made.load if half.p_broken is not None), key=lambda half: half.p_broken or 0.0)
        mark = ", training" if made.training else ""
        yield Fact(
            "most likely off past its lower end", percent(max(told)), f"{clock_z(half.begins_at)}, {half.site}{mark}"
        )


def _fullest(load: Sequence[HalfHour]) -> Fact:
    half = max(load, key=lambda half: (half.wait_min.p50, half.bays_busy.p50 / max(half.bays, 1)))
    wait = f"longest wait {half.wait_min.p50:.0f} min" if half.wait_min.p50 >= 1 else "no wait"
    figure = f"{half.bays_busy.p50:.1f} of {half.bays} bays"
    return Fact("fullest half hour", clock_z(half.begins_at), f"{half.site}: {figure}, {wait}", half.wait_min.p50 >= 10)
