"""The one way from a block to its entries, whatever its form."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from datetime import datetime

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


def entries(block: Block, notes: Notes) -> Iterator[Entry]:
    """Yield the report texts of a block; what else it holds is counted in `notes`."""
    found = _READERS[block.form](block, notes)
    return settled(found, block.before, block.after) if block.dated.knows_a_month else found


def _column_entries(block: Block, notes: Notes) -> Iterator[Entry]:
    if block.rows is None:
        return
    _, first, count = block.rows
    try:
        for number, (text, kinds, made_at, received) in enumerate(cells(block.source.path, first, count), first + 1):
            notes.lines += 1
            if not isinstance(text, str) or not text.strip():
                notes.reject(number, "no report text in its column")
                continue
            received_at = _time(received)
            near = _time(made_at) or received_at
            known = next(
                (kind for word in kinds if isinstance(word, str) and (kind := word.strip().upper()) in KINDS), None
            )
            yield entry_of(number, text, known, near, block.dated, received_at)
    except ArchiveError as error:
        notes.fault(first + 1, "form", str(error))


def _time(values: tuple[object, ...]) -> datetime | None:
    return next((at for value in values if (at := time_in(value)) is not None), None)


_READERS: Mapping[Form, Callable[[Block, Notes], Iterator[Entry]]] = {
    Form.LINES: line_entries,
    Form.ROWS: row_entries,
    Form.OBJECTS: object_entries,
    Form.LIST: list_entries,
    Form.XML: xml_entries,
    Form.COLUMNS: _column_entries,
}
