"""The one way from a block to its entries, whatever its form."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from itertools import repeat
from typing import TypeVar

from watcher.replay.archives.blocks import Block
from watcher.replay.archives.columns import ArchiveError, cells
from watcher.replay.archives.dates import time_in
from watcher.replay.archives.documents import xml_entries
from watcher.replay.archives.entries import KINDS, Entry, Notes, entry_of
from watcher.replay.archives.lines import line_entries
from watcher.replay.archives.month_edges import settled
from watcher.replay.archives.objects import list_entries, object_entries
from watcher.replay.archives.rows import row_entries
from watcher.replay.archives.sources import Form

_T = TypeVar("_T")


def entries(block: Block, notes: Notes) -> Iterator[Entry]:
    """Yield the report texts of a block; what else it holds is counted in `notes`."""
    found = _READERS[block.form](block, notes)
    return settled(found, block.before, block.after) if block.dated.knows_a_month else found


def _column_entries(block: Block, notes: Notes) -> Iterator[Entry]:
    if block.rows is None:
        return
    _, first, count = block.rows
    try:
        found = cells(block.source.path, first, count)
    except ArchiveError as error:
        notes.fault(first + 1, "form", str(error))
        return
    kinds = _first_in(found.kinds, _kind)
    times, receipts = _first_in(found.made_at, time_in), _first_in(found.received_at, time_in)
    rows = zip(found.texts, kinds, times, receipts, strict=False)  # a column that there is not has no end
    for number, (text, kind, made_at, received_at) in enumerate(rows, first + 1):
        notes.lines += 1
        if not isinstance(text, str) or not text.strip():
            notes.reject(number, "no report text in its column")
            continue
        yield entry_of(number, text, kind, made_at or received_at, block.dated, received_at)


def _first_in(columns: Iterable[list[object]], read: Callable[[object], _T | None]) -> Iterable[_T | None]:
    """Return of each row what is read from the first of some columns that has it."""
    found: list[_T | None] | None = None
    for column in columns:
        if found is None:
            found = list(map(read, column))
        else:
            found = [read(cell) if known is None else known for known, cell in zip(found, column, strict=True)]
    return repeat(None) if found is None else found


def _kind(cell: object) -> str | None:
    word = cell.strip().upper() if isinstance(cell, str) else ""
    return word if word in KINDS else None


_READERS: Mapping[Form, Callable[[Block, Notes], Iterator[Entry]]] = {
    Form.LINES: line_entries,
    Form.ROWS: row_entries,
    Form.OBJECTS: object_entries,
    Form.LIST: list_entries,
    Form.XML: xml_entries,
    Form.COLUMNS: _column_entries,
}
