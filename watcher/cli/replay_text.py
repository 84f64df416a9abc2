"""A replay in words, lines of at most 100 columns: archive, episodes, messages, stations, caveats."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime, timedelta

from watcher.notify.message import CAUTION
from watcher.notify.wording import plain
from watcher.replay.messages import MessageLoad
from watcher.replay.rehearsal.totals import FlagRow, StationRow
from watcher.replay.run.caveats import caveats
from watcher.replay.run.whole import Replayed
from watcher.rulebook.words import Level
from watcher.units import clock_z, duration_text

COLUMNS = 100
_LABEL = 11
_STATIONS = 10
_FAULTS = 8
_FLAG_WIDTHS = (24, 9, 10, 10, 10, 11, 10, 12)
_FLAG_HEADS = ("flag", "level", "episodes", "observed", "expected", "came true", "not seen", "lead")
_STATION_WIDTHS = (9, 10, 9, 8, 9, 8, 16, 20, 8)
_STATION_HEADS = ("station", "reports", "no-time", "treat", "prepare", "note", "treat or worse", "blind", "spells")


def text_of(replayed: Replayed) -> Iterator[str]:
    """Yield the lines of a result for people."""
    yield from _archive(replayed)
    yield ""
    yield from _episodes(replayed)
    yield ""
    for load in replayed.loads:
        yield from _messages(load)
    if replayed.loads:
        yield ""
    yield from _stations(replayed.totals.stations)
    yield ""


def ending_of(replayed: Replayed) -> Iterator[str]:
    """Yield what to know before the figures are believed, and the caution."""
    for said in caveats(replayed):
        yield from wrapped(said, "- ")
    yield from wrapped(CAUTION)


def _archive(replayed: Replayed) -> Iterator[str]:
    counts, totals, asked = replayed.gathered.counts, replayed.totals, replayed.asked
    taken = f"{counted(totals.reports, 'report')} and {counted(totals.forecasts, 'forecast')}"
    places = counted(len(totals.stations), "station")
    span = f"{moment(replayed.begins_at)} to {moment(replayed.ends_at)}"
    yield line("Replayed", f"{taken} of {places}, {span}")
    found = [counted(counts.reports, "report"), counted(counts.forecasts, "forecast")]
    if counts.duplicates:
        found.append(counted(counts.duplicates, "repeat"))
    if counts.superseded:
        found.append(f"{_number(counts.superseded)} superseded")
    if counts.out_of_order:
        found.append(f"{_number(counts.out_of_order)} out of order")
    yield line("Archive", f"{', '.join(found)} in {counted(counts.lines, 'line')}")
    if asked.credit is not None:
        yield from wrapped(asked.credit, f"{'Data':<{_LABEL}}")
    yield from _faults(replayed)
    rules = asked.rules
    yield line("Rules", f"{rules.name}, {len(rules.book.rules)} rules, fingerprint {rules.book.fingerprint}")


def _faults(replayed: Replayed) -> Iterator[str]:
    gathered = replayed.gathered
    total = sum(gathered.fault_counts.values()) or len(gathered.faults)
    if not total:
        return
    yield line("Faults", f"{_number(total)}, the first of them:" if total > _FAULTS else f"{total}:")
    for fault in gathered.faults[:_FAULTS]:
        yield from wrapped(str(fault), " " * _LABEL)


def _episodes(replayed: Replayed) -> Iterator[str]:
    totals = replayed.totals
    if not totals.episodes:
        yield "No episode opened."
        return
    yield row(_FLAG_HEADS, _FLAG_WIDTHS)
    previous = None
    for item in totals.flags:
        yield row(_flag_cells(item, named=item.flag is not previous), _FLAG_WIDTHS)
        previous = item.flag
    if any(item.expected for item in totals.flags):
        yield "lead: from its opening to the first report that met it, the middle one of those that came true."
    if totals.unconfirmed:
        yield f"{counted(totals.unconfirmed, 'episode')} formed and never opened: not met by enough reports in a row."


def _flag_cells(item: FlagRow, *, named: bool) -> tuple[str, ...]:
    ahead = [item.expected, item.came_true, item.not_seen] if item.expected else ["-"] * 3
    name = item.flag.value if named else ""
    lead = duration_text(item.median_lead) if item.median_lead is not None else "-"
    return name, item.level.word, str(item.episodes), str(item.observed), *map(str, ahead), lead


def _messages(load: MessageLoad) -> Iterator[str]:
    told = [(level, count) for level, count in load.by_level.items() if count]
    levels = [f"{_number(count)} {level.word if level else 'of blindness alone'}" for level, count in told]
    parts = f" ({', '.join(levels)})" if levels else ""
    digests = f", {_number(load.digests)} digests besides" if load.digests else ""
    yield from wrapped(
        f"{_number(load.messages)} to {plain(load.destination)} in {counted(load.days, 'day')}, {load.a_day:.1f} a day"
        f"{parts}{digests}; {_number(load.at_night)} at night ({load.zone}){_busiest(load)}",
        f"{'Messages':<{_LABEL}}",
    )


def _busiest(load: MessageLoad) -> str:
    if load.busiest_day is None or load.busiest_hour is None:
        return ""
    (day, on_day), (hour, in_hour) = load.busiest_day, load.busiest_hour
    return f"; busiest day {day} with {on_day}, busiest hour from {moment(hour)} with {in_hour}"


def _stations(stations: Sequence[StationRow]) -> Iterator[str]:
    worst = sorted(stations, key=lambda item: (-item.in_need, -item.episodes, item.station))
    if len(worst) > _STATIONS:
        yield f"The {_STATIONS} stations of {len(worst)} that stood longest at treat or worse:"
    yield row(_STATION_HEADS, _STATION_WIDTHS)
    for item in worst[:_STATIONS]:
        levels = (str(item.by_level[level]) for level in sorted(Level, reverse=True))
        blind = f"{duration_text(item.blind)}{_part(item.blind, item.watched)}" if item.blind is not None else "-"
        cells = (item.station, _number(item.reports), *levels, duration_text(item.in_need), blind)
        spells = str(item.blind_spells) if item.blind_spells is not None else "-"
        yield row((*cells, spells), _STATION_WIDTHS)


def _part(some: timedelta, whole: timedelta) -> str:
    if not whole or not some:
        return ""
    return ", <1 %" if 200 * some < whole else f", {100 * (some / whole):.0f} %"


def moment(at: datetime) -> str:
    """Return a day and time in Z."""
    return f"{at:%Y-%m-%d} {clock_z(at)}"


def line(label: str, text: str) -> str:
    """Return one line with its label."""
    return f"{label:<{_LABEL}}{plain(text)}"


def row(cells: Iterable[str], widths: Sequence[int]) -> str:
    """Return one row of a table; a cell that is too long is cut."""
    fitted = [cell if len(cell) < width else f"{cell[: width - 2]}." for cell, width in zip(cells, widths, strict=True)]
    return "".join(f"{cell:<{width}}" for cell, width in zip(fitted, widths, strict=True)).rstrip()


def wrapped(text: str, first: str = "") -> list[str]:
    """Return a text in lines."""
    return textwrap.wrap(plain(text), COLUMNS, initial_indent=first, subsequent_indent=" " * len(first))


def _number(count: int) -> str:
    return f"{count:,}"


def counted(count: int, what: str) -> str:
    """Return a number with the word for what is counted."""
    return f"{_number(count)} {what}{'' if count == 1 else 's'}"
