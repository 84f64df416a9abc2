"""The morning list in words: the departures in the order of treatment, then how full the sites are."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from watcher.notify.message import CAUTION
from watcher.treatment.listed import Data, HalfHour, Line, Morning, Range, to_treat
from watcher.treatment.option import fluid_name
from watcher.treatment.question import Holdover
from watcher.units import clock_z, duration_text, percent

COLUMNS = 100
DEFER = (
    "Each aircraft is checked by hand. The aircraft's own manual and the final code of the ground crew go first; call "
    "times and holdover ends are no permission."
)
HEADS = ("no", "flight", "aircraft", "off", "slot", "treat", "what", "call", "place", "take-off", "covered", "litres")
_WIDTHS = (4, 8, 13, 6, 6, 6, 10, 7, 11, 11, 8, 10)
LOAD_HEADS = ("from", "site", "aircraft", "bays busy", "rigs busy", "longest wait", "uncovered")
_LOAD_WIDTHS = (7, 16, 12, 20, 20, 14, 11)


def text_of(morning: Morning) -> str:
    """Return the list for people, lines of at most 100 characters."""
    lines = [*_wrapped(headline(morning)), ""]
    for station in dict.fromkeys(line.listed.departure.station for line in morning.lines):
        lines += [*_station(morning, station), ""]
    lines += [line for note in morning.notes for line in _wrapped(note, "- ")]
    return "\n".join([*lines, *_wrapped(DEFER), *_wrapped(CAUTION)])


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


def _station(morning: Morning, station: str) -> Iterator[str]:
    yield f"{station}, in the order of treatment"
    yield _row(HEADS, _WIDTHS)
    for line in morning.lines:
        if line.listed.departure.station == station:
            yield _row(cells_of(line), _WIDTHS)
            if line.option is None and line.why:
                yield from _wrapped(line.why, "     ")
    load = [half for half in morning.load if half.station == station]
    if load:
        yield ""
        yield f"{station}, load by half hour (10 to 90 % of the members); uncovered: chance that the lower holdover"
        yield "time of one of them is over before take-off"
        yield _row(LOAD_HEADS, _LOAD_WIDTHS)
    for half in load:
        yield _row(load_cells(half, training=morning.training), _LOAD_WIDTHS)
    for said in rests_on(morning, station):
        yield from _wrapped(said)


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
    fluids = sorted({f"{option.place.value} {fluid_name(option.fluid)}" for option in options if option.fluid})
    if fluids:
        yield f"Fluids: {', '.join(fluids)}."
    yield from dict.fromkeys(_table(option.holdover) for option in options if option.holdover and option.holdover.table)
    for data in morning.data:
        if data.station == station:
            yield _reports(data, morning.made_at)


def _table(answer: Holdover) -> str:
    outside = "T: training, not in force" if answer.training else "out of season, no minutes"
    state = "in force" if answer.current else outside
    return f"Table: {answer.table}; {answer.season}; {answer.authority}; {state}."


def _reports(data: Data, now: datetime) -> str:
    said = []
    for name, at in (("report", data.observed_at), ("TAF", data.forecast_issued_at)):
        age = None if at is None else duration_text(max(now - at, timedelta(0)))
        said.append(f"no {name}" if at is None else f"{name} of {clock_z(at)}, {age} old")
    local = f"{now.astimezone(ZoneInfo(data.zone)):%H:%M}"
    return f"Rests on: {'; '.join(said)}. {clock_z(now)} is {local} {data.zone}."


def _spread(values: Range, digits: int, unit: str = "") -> str:
    return f"{values.p50:.{digits}f}{unit} ({values.p10:.{digits}f}-{values.p90:.{digits}f})"


def _row(cells: Sequence[str], widths: Sequence[int]) -> str:
    fitted = [cell if len(cell) < width else f"{cell[: width - 2]}." for cell, width in zip(cells, widths, strict=True)]
    return "".join(f"{cell:<{width}}" for cell, width in zip(fitted, widths, strict=True)).rstrip()


def _wrapped(text: str, first: str = "") -> list[str]:
    return textwrap.wrap(text, COLUMNS, initial_indent=first, subsequent_indent=" " * len(first))
