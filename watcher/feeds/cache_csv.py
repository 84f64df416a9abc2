"""The bulk METAR cache as CSV, in its forms of 2014 and of 2024 to 2026.

Sources: the stored files in tests/data/reports. The last columns repeat names (four pairs of sky cover and base), so
columns are found by position in the header. Only the raw text is taken: the decoded columns lose signs and units.
"""

from __future__ import annotations

import csv
import re

from watcher.errors import FeedError
from watcher.feeds.model import RawReport
from watcher.feeds.rows import Rows, checked, report_of_row, shown

_NEEDED = ("raw_text", "station_id", "observation_time")
_LINES_BEFORE_HEADER = 20
_RESULTS = re.compile(r"(\d+) results")


def parse_metar_csv(body: bytes) -> Rows:
    """Return the reports of a METAR cache file.

    Parameters
    ----------
    body
        The unpacked file, UTF-8. Lines before the header are passed over; a count of results among them is checked.

    Raises
    ------
    FeedError
        There is no header, a needed column is missing, the file ends early, or most rows are no reports.
    """
    lines = body.decode("utf-8", "replace").splitlines()
    head = _header_index(lines)
    columns = [name.strip() for name in lines[head].split(",")]
    missing = [name for name in _NEEDED if name not in columns]
    if missing:
        raise FeedError(f"the columns {', '.join(missing)} are missing: the form has changed")
    rows = _split(lines[head + 1 :])
    if rows and not body.endswith((b"\n", b"\r")) and len(rows[-1]) < len(columns):
        raise FeedError(f"the body ends early, inside row {len(rows)}")
    _check_count(lines[:head], len(rows))
    return checked(Rows(_reports(rows, columns), len(rows)))


def _header_index(lines: list[str]) -> int:
    for index, line in enumerate(lines[:_LINES_BEFORE_HEADER]):
        if line.lstrip("\ufeff").startswith("raw_text,"):
            lines[index] = line.lstrip("\ufeff")
            return index
    first = next((line for line in lines if line.strip()), "")
    raise FeedError(f'this is no METAR cache: no header line; the first line is "{shown(first)}"')


def _split(lines: list[str]) -> list[list[str]]:
    lines = [line for line in lines if line]
    try:
        rows = list(csv.reader(lines))
    except csv.Error:
        rows = []
    if len(rows) == len(lines):
        return rows
    # A quote that never closes would swallow the stations after it: then each line stands for itself.
    return [_split_alone(line) for line in lines]


def _split_alone(line: str) -> list[str]:
    try:
        return next(csv.reader([line]), [])
    except csv.Error:
        return []


def _check_count(leading: list[str], row_count: int) -> None:
    for line in leading:
        told = _RESULTS.fullmatch(line.strip())
        if told is not None and row_count < int(told[1][:9]):
            raise FeedError(f"the body ends early: {row_count} rows of {told[1]}")


def _reports(rows: list[list[str]], columns: list[str]) -> tuple[RawReport, ...]:
    text, station, time = (columns.index(name) for name in _NEEDED)
    kind = columns.index("metar_type") if "metar_type" in columns else None
    width = len(columns)
    found = (
        report_of_row(row[text], row[station], row[time], row[kind] if kind is not None else "")
        for row in rows
        if len(row) == width
    )
    return tuple(report for report in found if report is not None)
