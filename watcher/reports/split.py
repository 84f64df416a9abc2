"""From a text of many reports to each of them: plain lines, bulletins with WMO headings, hourly files, wrapped lines.

Source: WMO-No. 386, Manual on the Global Telecommunication System, attachment II-5: abbreviated headings.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import NamedTuple

_HEADING = re.compile(r"[A-Z]{4}\d{0,2} [A-Z0-9]{4} \d{6}(?: [A-Z]{3})?")
_SEQUENCE = re.compile(r"\d{3,5}")
_FILE_TIME = re.compile(r"\d{4}/\d{2}/\d{2} \d{2}:\d{2}")
_TYPE_LINE = re.compile(r"(METAR|SPECI|TAF)(?: (?:AMD|COR))*")
_BEGINS = re.compile(
    r"(?:(?:METAR|SPECI|TAF)\s+)+(?:(?:AMD|COR|RTD)\s+)*[A-Z][A-Z0-9]{3}\s|(?:COR\s+)?[A-Z][A-Z0-9]{3}\s+\d{6}Z"
)
_AWIPS = re.compile(r"(?:TAF|MTR|SAO)[A-Z0-9]{3}")
_BREAKS = re.compile(r"[\r\n\x01\x03\x0b\x0c\x1c-\x1e\x85\u2028\u2029]+")
_CONTROL = re.compile(r"[\x00-\x08\x0e-\x1f\x7f]")


class Piece(NamedTuple):
    """One report text. `kind`: METAR, SPECI or TAF where it or its bulletin says so. `line`: where it begins."""

    text: str
    kind: str | None
    line: int


class Splitter:
    """Takes a text line by line and gives each report when its end is seen.

    Lines that are no part of a report (headings, file times) are passed over. In a bulletin, and where it is indented,
    a line that begins no report goes on with the one before; elsewhere it is given as it is, so that it can be shown
    as unreadable.

    `bulletin`: the kind that the last heading gives. `in_bulletin`: whether there was one. `begun`: how many reports
    have begun so far, and `parts`: of how many parts of lines.
    """

    def __init__(self) -> None:
        self.bulletin: str | None = None
        self.in_bulletin = False
        self.begun = self.parts = 0
        self._gathered: list[str] = []
        self._line = 0

    @property
    def is_open(self) -> bool:
        """Whether a report was begun that may go on."""
        return bool(self._gathered)

    @property
    def is_only_type(self) -> bool:
        """Whether nothing more was begun than the words for a report's type, which the next line goes on with."""
        return _is_only_type(self._gathered)

    def take(self, line: str, *, indented: bool, number: int = 0) -> Iterator[Piece]:
        """Take one line that is not blank, with single blanks; yield the reports that are now whole."""
        if _HEADING.fullmatch(line):
            yield from self.end()
            self.in_bulletin = True
            self.bulletin = {"SA": "METAR", "SP": "SPECI", "FT": "TAF", "FC": "TAF"}.get(line[:2])
            return
        if _SEQUENCE.fullmatch(line) or _FILE_TIME.fullmatch(line) or _AWIPS.fullmatch(line):
            yield from self.end()
            return
        type_line = _TYPE_LINE.fullmatch(line)
        if type_line is not None and not self._gathered:
            self.bulletin = type_line[1]
            if line != self.bulletin:
                self._gather(line, number)
            return
        wraps = indented or self.in_bulletin
        for piece, ends in _pieces(line):
            if self._gathered and not _is_only_type(self._gathered) and (_BEGINS.match(piece) or not wraps):
                yield from self.end()
            self._gather(piece, number)
            if ends:
                yield from self.end()

    def end(self) -> Iterator[Piece]:
        """Yield the report that was open, if one was."""
        if self._gathered:
            report = " ".join(self._gathered)
            self._gathered.clear()
            word = report.split(" ", 1)[0].upper()
            yield Piece(report, word if word in {"METAR", "SPECI", "TAF"} else self.bulletin, self._line)

    def _gather(self, piece: str, number: int) -> None:
        if not self._gathered:
            self._line = number
            self.begun += 1
        self.parts += 1
        self._gathered.append(piece)


def split_reports(text: str) -> Iterator[tuple[str, str | None]]:
    """Yield (report text, kind): kind is METAR, SPECI or TAF where the report or its bulletin says so."""
    splitter = Splitter()
    for line, indented in lines_of(text):
        for piece in splitter.take(line, indented=indented):
            yield piece.text, piece.kind
    for piece in splitter.end():
        yield piece.text, piece.kind


def lines_of(text: str) -> Iterator[tuple[str, bool]]:
    """Yield the lines that are not blank, each with whether it was indented."""
    for line in _BREAKS.split(text):
        plain = " ".join(_CONTROL.sub(" ", line).split())
        if plain:
            yield plain, line[:1] in {" ", "\t"}


def _pieces(line: str) -> Iterator[tuple[str, bool]]:
    """Yield the parts of a line between end marks, each with whether an end mark follows it."""
    parts = line.split("=")
    for index, part in enumerate(parts):
        piece = part.strip()
        last = index == len(parts) - 1
        if piece:
            yield piece, not last


def _is_only_type(gathered: list[str]) -> bool:
    return len(gathered) == 1 and _TYPE_LINE.fullmatch(gathered[0]) is not None
