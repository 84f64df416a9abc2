"""From a CSV file of departures to values, forgiving in form and strict in sense. All that is wrong is said at once.

The first line names the columns, in any order; capitals, spaces, hyphens and underscores do not matter, and comma,
semicolon or tab may stand between. What a field may say: `departure_row.py`.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

from watcher.errors import Problem, UsageError
from watcher.treatment.departure_row import COLUMNS, NEEDED, Listed, Progress, Row, read_departure, with_report

__all__ = [
    "COLUMNS",
    "NEEDED",
    "Listed",
    "Progress",
    "parse_departures",
    "read_departure",
    "read_departures",
    "with_report",
]

_MOST_ROWS = 2000
_NAMES = {name: column for column, (others, _) in COLUMNS.items() for name in (column, *others)}


def parse_departures(
    text: str, name: str, *, now: datetime, zones: Mapping[str, str], station: str | None = None
) -> tuple[Listed, ...]:
    """Return the departures of a file, in its order.

    Parameters
    ----------
    text
        CSV with a head line.
    name
        Of the file, for messages.
    now
        Aware UTC.
    zones
        IANA time zone of each station that has operations.
    station
        For rows that name none.

    Raises
    ------
    UsageError
        With everything that is wrong, in any row.
    """
    try:
        rows = list(csv.reader(io.StringIO(text.removeprefix("\ufeff")), delimiter=_delimiter(text)))
    except csv.Error as error:
        raise UsageError([Problem(name, f"is no CSV: {error}")]) from error
    if not rows:
        raise UsageError([Problem(name, "is empty", f"the first line names the columns: {', '.join(COLUMNS)}")])
    columns = _head(rows[0], name, station)
    problems: list[Problem] = []
    found: list[Listed] = []
    for number, row in enumerate(rows[1:], 2):
        if not any(cell.strip() for cell in row):
            continue
        cells = {column: row[index].strip() for column, index in columns.items() if index < len(row)}
        line = Row(f"{name}: line {number}", cells, now, zones, problems)
        listed = line.listed(station)
        if listed is not None:
            found.append(listed)
    problems += _twice(found, name)
    if len(found) > _MOST_ROWS:
        problems.append(Problem(name, f"has {len(found)} departures", f"at most {_MOST_ROWS}"))
    if problems:
        raise UsageError(problems)
    return tuple(found)


def read_departures(
    rows: Sequence[Mapping[str, str]], *, now: datetime, zones: Mapping[str, str], station: str | None = None
) -> tuple[Listed, ...]:
    """Return several departures of fields; UsageError with everything that is wrong, such as at ``3.off_block``."""
    problems: list[Problem] = []
    found = []
    for number, cells in enumerate(rows):
        try:
            found.append(read_departure(cells, now=now, zones=zones, station=station))
        except UsageError as error:
            problems += [replace(item, where=f"{number}.{item.where}") for item in error.problems]
    problems += _twice(found, "departures")
    if problems:
        raise UsageError(problems)
    return tuple(found)


def _delimiter(text: str) -> str:
    head = text.split("\n", 1)[0]
    return max(",;\t", key=head.count)


def _head(cells: list[str], name: str, station: str | None) -> dict[str, int]:
    """Return where each column stands; unknown ones are left alone, unless a needed one may be meant."""
    columns: dict[str, int] = {}
    problems = []
    for index, cell in enumerate(cells):
        column = _NAMES.get(re.sub(r"[\s_-]+", "_", cell.strip().casefold()))
        if column is not None and column in columns:
            problems.append(Problem(name, f'the column "{column}" stands twice', "keep one of them"))
        elif column is not None:
            columns[column] = index
    needed = NEEDED if station is not None else (*NEEDED, "station")
    for column in needed:
        if column not in columns:
            others = COLUMNS[column][0]
            problems.append(
                Problem(name, f'the column "{column}" is missing', f"also taken: {', '.join(others)}" if others else "")
            )
    if problems:
        raise UsageError(problems)
    return columns


def _twice(found: list[Listed], name: str) -> list[Problem]:
    seen: set[tuple[str, str]] = set()
    problems = []
    for listed in found:
        key = listed.departure.station, listed.departure.name
        if key in seen:
            problems.append(Problem(name, f'the departure "{key[1]}" stands twice', "give each its own name"))
        seen.add(key)
    return problems
