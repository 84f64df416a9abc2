"""Rows of columns under a header line: the bulk METAR cache, and any table with a column of report texts."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from datetime import datetime

from watcher.replay.archives.blocks import Block
from watcher.replay.archives.dates import time_of
from watcher.replay.archives.entries import KINDS, Entry, Notes, entry_of
from watcher.replay.archives.forms import Header, header_of
from watcher.replay.archives.text import counted_lines

_LINES_BEFORE_HEADER = 20


def row_entries(block: Block, notes: Notes) -> Iterator[Entry]:
    """Yield the entries of a block of rows. Lines before the header, and headers that come again, are headings."""
    lines = counted_lines(block.body, block.first_line, notes, cut=block.cut)
    header = header_of(block.context) if block.context else None
    begins = 0
    if header is None:
        begins, header = _first_header(lines)
        notes.headings += begins
    if header is None:
        for number in range(len(lines)):
            notes.reject(block.first_line + number, "no header line with a column of report texts stands before it")
        return
    for number, line in enumerate(lines[begins:], block.first_line + begins):
        if not line.strip():
            notes.blank += 1
            continue
        cells = _cells(line, header)
        if line.strip() == header.line:  # as where cache files were put together
            notes.headings += 1
            continue
        if len(cells) != header.width:
            notes.reject(number, f"{len(cells)} columns where the header has {header.width}")
            continue
        text = cells[header.text].strip()
        if not text:
            notes.reject(number, "no report text in its column")
            continue
        near = _time(cells, header.made_at)
        received_at = _time(cells, header.received_at)
        kind = next((word for place in header.kind if (word := cells[place].strip().upper()) in KINDS), None)
        yield entry_of(number, text, kind, near or received_at, block.dated, received_at)


def _first_header(lines: list[str]) -> tuple[int, Header | None]:
    for place, line in enumerate(lines[:_LINES_BEFORE_HEADER]):
        header = header_of(line)
        if header is not None:
            return place + 1, header
    return 0, None


def _cells(line: str, header: Header) -> list[str]:
    if '"' not in line:
        return line.rstrip("\r").split(header.separator)
    # Each line for itself: a quote that never closes would swallow the stations after it.
    try:
        return next(csv.reader([line.rstrip("\r")], delimiter=header.separator), [])
    except csv.Error:
        return []


def _time(cells: list[str], places: tuple[int, ...]) -> datetime | None:
    return next((at for place in places if (at := time_of(cells[place].strip())) is not None), None)
