"""The morning list in words: the departures in the order of treatment, then how full the sites are."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from watcher.notify.message import CAUTION
from watcher.treatment.listed import Morning
from watcher.treatment.morning_words import DEFER, HEADS, LOAD_HEADS, cells_of, headline, load_cells, rests_on

COLUMNS = 100
_WIDTHS = (4, 8, 13, 6, 6, 6, 10, 7, 11, 11, 8, 10)
_LOAD_WIDTHS = (7, 16, 12, 20, 20, 14, 11)


def text_of(morning: Morning) -> str:
    """Return the list for people, lines of at most 100 characters."""
    lines = [*_wrapped(headline(morning)), ""]
    for station in dict.fromkeys(line.listed.departure.station for line in morning.lines):
        lines += [*_station(morning, station), ""]
    lines += [line for note in morning.notes for line in _wrapped(note, "- ")]
    return "\n".join([*lines, *_wrapped(DEFER), *_wrapped(CAUTION)])


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


def _row(cells: Sequence[str], widths: Sequence[int]) -> str:
    fitted = [cell if len(cell) < width else f"{cell[: width - 2]}." for cell, width in zip(cells, widths, strict=True)]
    return "".join(f"{cell:<{width}}" for cell, width in zip(fitted, widths, strict=True)).rstrip()


def _wrapped(text: str, first: str = "") -> list[str]:
    return textwrap.wrap(text, COLUMNS, initial_indent=first, subsequent_indent=" " * len(first))
