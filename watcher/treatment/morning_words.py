"""The morning list in words: its first line, and what is said of a departure, a half hour and a station."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final
from zoneinfo import ZoneInfo

from watcher.treatment.listed import Data, HalfHour, Line, Morning, Range, to_treat
from watcher.treatment.plan_words import reports_words
from watcher.treatment.question import Holdover
from watcher.units import clock_z, percent

DEFER: Final = (
    "Each aircraft is checked by hand. The aircraft's own manual and the final code of the ground crew go first; call "
    "times and holdover ends are no permission."
)
HEADS: Final = (
    "no",
    "flight",
    "aircraft",
    "off",
    "slot",
    "treat",
    "what",
    "call",
    "place",
    "take-off",
    "covered",
    "litres",
)
LOAD_HEADS: Final = ("from", "site", "aircraft", "bays busy", "rigs busy", "longest wait", "uncovered")


def headline(morning: Morning) -> str:
    """Return how many need treatment, which call is the first, and whether figures are for training."""
    wanted = [line for line in morning.lines if to_treat(line)]
    calls = [line for line in wanted if line.option is not None and line.option.call_by is not None]
    first = min(calls, key=lambda line: (line.option and line.option.call_by) or morning.made_at, default=None)
    said = f"{len(wanted)} of {len(morning.lines)} departures may need treatment."
    if first is not None and first.option is not None and first.option.call_by is not None:
        called = f"{first.listed.departure.name}, {first.option.site}"
        said += f" First call {clock_z(first.option.call_by)} ({called})."
    training = " Holdover figures are of old tables, for training only." if morning.training else ""
    return f"{said}{training} Made {clock_z(morning.made_at)} with {morning.members} members."


def cells_of(line: Line) -> tuple[str, ...]:
    """Return one departure as the cells under HEADS."""
    departure, option, need = line.listed.departure, line.option, line.need
    front = (
        "" if line.number is None else str(line.number),
        departure.name,
        departure.aircraft,
        clock_z(departure.off_block),
        "" if departure.ctot is None else clock_z(departure.ctot),
        "?" if need is None else _chance(need.p_any),
        what_of(line),
    )
    if option is None or option.take_off is None or not to_treat(line):
        return (*front, "", "", "", "", "")
    # A place with a question mark: the earliest take-off, protection cannot be told.
    call = "" if option.call_by is None else f"{clock_z(option.call_by)}{'!' if option.call_late else ''}"
    off = f"{clock_z(option.take_off.p50)}{'' if option.p_slot is None or option.p_slot >= 0.5 else ' late'}"
    litres = "?" if line.litres is None else f"{line.litres.p50:.0f}-{line.litres.p90:.0f}"
    place = option.place.value if option.verdict is not None else f"{option.place.value}?"
    return (*front, call, place, off, covered_of(line), litres)


def _chance(p: float) -> str:
    return percent(p).replace("under ", "<").replace("over ", ">")


def what_of(line: Line) -> str:
    """Return what is expected on the aircraft, or what has been reported of it."""
    if line.listed.progress.value != "open" and not to_treat(line):
        return line.listed.progress.value
    if line.need is None:
        return "not known"
    if line.need.likeliest is not None:
        return line.need.likeliest.value
    return "falling" if line.need.p_protection >= 0.05 else "-"


def covered_of(line: Line) -> str:
    """Return the chance of taking off within the lower holdover time; T: a figure of old tables."""
    option = line.option
    if option is None or option.p_within_lower is None:
        return "none" if option is not None and option.p_no_time is not None else "?"
    mark = " T" if option.holdover is not None and option.holdover.training else ""
    return f"{_chance(option.p_within_lower)}{mark}"


def load_cells(half: HalfHour, *, training: bool) -> tuple[str, ...]:
    """Return one half hour as cells; T: a figure of old tables."""
    return (
        clock_z(half.begins_at),
        half.site,
        _spread(half.aircraft, 0),
        _spread(half.bays_busy, 1, f" of {half.bays}"),
        _spread(half.rigs_busy, 1, f" of {half.rigs}"),
        _spread(half.wait_min, 0, " min"),
        "?" if half.p_broken is None else f"{_chance(half.p_broken)}{' T' if training else ''}",
    )


def rests_on(morning: Morning, station: str) -> Iterator[str]:
    """Yield litres, fluids, tables, reports with their age, and the local time of a station."""
    for (where, size), amount in morning.litres.items():
        if where == station:
            yield f"Fluid, {size} aircraft: {amount.p50:.0f} litres ({amount.p10:.0f} to {amount.p90:.0f})."
    options = [line.option for line in morning.lines if line.listed.departure.station == station and line.option]
    fluids = sorted({f"{option.place.value} {option.fluid.name}" for option in options if option.fluid})
    if fluids:
        yield f"Fluids: {', '.join(fluids)}."
    yield from dict.fromkeys(_table(option.holdover) for option in options if option.holdover and option.holdover.table)
    for data in morning.data:
        if data.station == station:
            yield _reports(data, morning)


def _table(answer: Holdover) -> str:
    outside = "T: training, not in force" if answer.training else "out of season, no minutes"
    state = "in force" if answer.current else outside
    return f"Table: {answer.table}; {answer.season}; {answer.authority}; {state}."


def _reports(data: Data, morning: Morning) -> str:
    now = morning.made_at
    local = f"{now.astimezone(ZoneInfo(data.zone)):%H:%M}"
    said = reports_words(data.observed_at, data.forecast_issued_at, now)
    return f"Rests on: {said}. {clock_z(now)} is {local} {data.zone}."


def _spread(values: Range, digits: int, unit: str = "") -> str:
    return f"{values.p50:.{digits}f}{unit} ({values.p10:.{digits}f}-{values.p90:.{digits}f})"
