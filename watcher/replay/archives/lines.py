"""Plain lines: bare reports, reports after a time or a source and a time, under headings, in bulletins, wrapped."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime

from watcher.replay.archives.blocks import Block
from watcher.replay.archives.dates import Dated, time_of
from watcher.replay.archives.entries import Entry, Notes, entry_of
from watcher.replay.archives.text import counted_lines
from watcher.reports.split import Piece, Splitter, lines_of

_TIME = r"\d{4}[-/]?\d\d[-/]?\d\d(?:[T ]?\d\d:?\d\d(?::?\d\d(?:[.,]\d+)?)?)?(?: ?(?:Z|UTC|[+-]\d\d:?\d\d))?"
_BETWEEN = r'"?(?: ?[\t,;|] ?| +)"?(?=[A-Za-z])'
_TIME_FIRST = re.compile(rf'"?({_TIME}){_BETWEEN}')
_SOURCE_FIRST = re.compile(rf'[^\t,;|]{{1,64}}[\t,;|] ?"?({_TIME}){_BETWEEN}')
_SEPARATED = re.compile(r"[\t,;|]")
_SIMPLE = re.compile(
    r"(?:(METAR|SPECI|TAF) )?(?:(?:COR|AMD|AUTO) )*[A-Z][A-Z0-9]{3} (?:(?:COR|AMD|AUTO) )*\d{6}Z? [^=]*=?$"
)
_FILE_TIME = re.compile(r"\d{4}/\d{2}/\d{2} \d{2}:\d{2}")


def line_entries(block: Block, notes: Notes) -> Iterator[Entry]:
    """Yield the entries of a block of lines."""
    lines = counted_lines(block.body, block.first_line, notes, cut=block.cut)
    yield from _Reader(block, notes).read(lines)


class _Reader:
    """Reads the lines of a block; what it remembers is the last heading, and the report that may go on."""

    def __init__(self, block: Block, notes: Notes) -> None:
        self._first_line = block.first_line
        self._notes = notes
        self._dated = block.dated
        self._splitter = Splitter()
        self._begun: dict[int, Dated] = {}
        if block.context:
            list(self._splitter.take(block.context, indented=False))

    def read(self, lines: list[str]) -> Iterator[Entry]:
        splitter = self._splitter
        indented = frozenset(place for place, line in enumerate(lines) if line.startswith((" ", "\t")))
        for place, full in enumerate(lines):
            near, text = self._beside(full.rstrip())
            # What goes on in the next line, or may, is put together by the splitter; all else stands alone.
            if place + 1 not in indented and not splitter.in_bulletin:
                simple = _SIMPLE.match(text)
                if simple is not None and not (splitter.is_open and splitter.is_only_type):
                    if splitter.is_open:
                        yield from map(self._entry, splitter.end())
                    kind = simple[1] or splitter.bulletin
                    yield entry_of(self._first_line + place, text, kind, near, self._dated)
                    continue
            yield from self._slowly(self._first_line + place, full, near, text)
        yield from map(self._entry, splitter.end())

    def _beside(self, line: str) -> tuple[datetime | None, str]:
        """Return the time that stands before a report, and the report."""
        before, tab, after = line.partition("\t")
        if tab and (near := time_of(before)) is not None and after[:1].isalpha():
            return near, after
        match = _TIME_FIRST.match(line)
        if match is None and _SEPARATED.search(line, 0, 65):
            match = _SOURCE_FIRST.match(line)
        if match is None:
            last = line.rpartition("\t")[2]
            return None, last if _SIMPLE.match(last) else line
        near = time_of(match[1])
        return (near, line[match.end() :].rstrip('" ')) if near is not None else (None, line)

    def _slowly(self, number: int, full: str, near: datetime | None, text: str) -> Iterator[Entry]:
        if near is not None and self._splitter.is_open:
            yield from map(self._entry, self._splitter.end())
        splitter, notes = self._splitter, self._notes
        begun, parts, seen = splitter.begun, splitter.parts, False
        for part, indented in lines_of(text if near is not None else full):
            seen = True
            # What was begun before a heading keeps the time of its own.
            self._begun[number] = self._dated if near is None else Dated(near=near)
            yield from map(self._entry, list(splitter.take(part, indented=indented, number=number)))
            heading = time_of(part) if _FILE_TIME.fullmatch(part) else None
            self._dated = self._dated if heading is None else Dated(near=heading)
        if not seen:
            notes.blank += 1
        elif splitter.begun > begun:
            notes.joined += splitter.begun - begun - 1
        elif splitter.parts > parts:
            notes.continued += 1
        else:
            notes.headings += 1

    def _entry(self, piece: Piece) -> Entry:
        return entry_of(piece.line, piece.text, piece.kind, None, self._begun[piece.line])
