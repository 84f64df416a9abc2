"""From a text of many reports to each of them: plain lines, bulletins with WMO headings, hourly files, wrapped lines.

Source: WMO-No. 386, Manual on the Global Telecommunication System, attachment II-5: abbreviated headings.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

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


def split_reports(text: str) -> Iterator[tuple[str, str | None]]:
    """Yield (report text, kind): kind is METAR, SPECI or TAF where the report or its bulletin says so.

    Lines that are no part of a report (headings, file times, blank lines) are passed over. In a bulletin, and where
    it is indented, a line that begins no report goes on with the one before; elsewhere it is given as it is, so that
    it can be shown as unreadable.
    """
    bulletin: str | None = None
    gathered: list[str] = []
    in_bulletin = False
    for line, indented in _lines(text):
        if _HEADING.fullmatch(line):
            yield from _closed(gathered, bulletin)
            in_bulletin = True
            bulletin = {"SA": "METAR", "SP": "SPECI", "FT": "TAF", "FC": "TAF"}.get(line[:2])
            continue
        if _SEQUENCE.fullmatch(line) or _FILE_TIME.fullmatch(line) or _AWIPS.fullmatch(line):
            yield from _closed(gathered, bulletin)
            continue
        type_line = _TYPE_LINE.fullmatch(line)
        if type_line is not None and not gathered:
            bulletin = type_line[1]
            if line != bulletin:
                gathered.append(line)
            continue
        wraps = indented or in_bulletin
        for piece, ends in _pieces(line):
            if gathered and not _is_only_type(gathered) and (_BEGINS.match(piece) or not wraps):
                yield from _closed(gathered, bulletin)
            gathered.append(piece)
            if ends:
                yield from _closed(gathered, bulletin)
    yield from _closed(gathered, bulletin)


def _lines(text: str) -> Iterator[tuple[str, bool]]:
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


def _closed(gathered: list[str], bulletin: str | None) -> Iterator[tuple[str, str | None]]:
    if gathered:
        report = " ".join(gathered)
        word = report.split(" ", 1)[0].upper()
        yield report, word if word in {"METAR", "SPECI", "TAF"} else bulletin
    gathered.clear()
