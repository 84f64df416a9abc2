"""Which form a file has, told from its first bytes; and what the columns of rows and objects are called in archives."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from watcher.replay.archives.sources import Form

# Names of columns and keys, small letters without blanks, dashes and underlines. The first one found counts.
TEXT = ("rawtext", "rawob", "rawtaf", "raw", "rawreport", "report", "text", "tac", "metar", "taf", "message")
MADE_AT = (
    "observationtime", "observedat", "obstime", "issuetime", "issuedat", "reporttime", "validtime", "time", "datetime",
    "timestamp", "date",
)  # fmt: skip
RECEIVED_AT = ("receivedat", "received", "receipttime", "receiptat")
KIND = ("metartype", "kind", "reporttype", "type")

_SEPARATORS = (",", "\t", ";", "|")
_NAME = re.compile(r"[A-Za-z][\w .()/%-]{0,39}")
_NO_NAME = re.compile(r"\d{4}")  # a time, a year, a group of a report
_LINES_BEFORE_HEADER = 20
_CONTROL = bytes({*range(9), *range(14, 27), 28, 29, 30, 31} - {1, 3})
_MOST_CONTROL = 0.05


@dataclass(frozen=True, slots=True)
class Header:
    """The header line of rows: how cells are separated, how many there are, and where the known ones stand.

    Of several columns with a time the first one counts in which there is one.
    """

    line: str
    separator: str
    width: int
    text: int
    made_at: tuple[int, ...]
    received_at: tuple[int, ...]
    kind: tuple[int, ...]


@lru_cache(maxsize=1024)
def places(names: tuple[str, ...], wanted: tuple[str, ...]) -> tuple[int, ...]:
    """Return where the wanted names stand, the first wanted first; none where none of them does."""
    plain = [re.sub(r"[\s_-]", "", name.strip().strip('"')).lower() for name in names]
    return tuple(plain.index(name) for name in wanted if name in plain)


def header_of(line: str) -> Header | None:
    """Return what a header line says; None when the line is none."""
    for separator in _SEPARATORS:
        names = tuple(name.strip().strip('"') for name in line.rstrip("\r\n").split(separator))
        if len(names) < 2 or not all(not name or _is_name(name) for name in names):
            continue
        text = places(names, TEXT)
        if text:
            known = (places(names, wanted) for wanted in (MADE_AT, RECEIVED_AT, KIND))
            return Header(line.strip(), separator, len(names), text[0], *known)
    return None


def _is_name(cell: str) -> bool:
    return _NAME.fullmatch(cell) is not None and _NO_NAME.search(cell) is None


def form_of(head: bytes) -> Form | None:
    """Return the form of a file that begins so; None for what is no text and no form that is known.

    Parameters
    ----------
    head
        Its first bytes, unpacked, without a byte order mark.
    """
    if head.startswith(b"PAR1"):
        return Form.COLUMNS
    begins = head.lstrip(b" \r\n\t")
    if begins.startswith(b"<"):
        return Form.XML
    if begins.startswith(b"{"):
        return Form.OBJECTS
    if begins.startswith(b"[") and begins[1:].lstrip(b" \r\n\t")[:1] in {b"{", b"]"}:
        return Form.LIST
    letters = head.replace(b"\0", b"")
    if len(letters) - len(letters.translate(None, _CONTROL)) > _MOST_CONTROL * len(letters):
        return None
    lines = head.decode("utf-8", "replace").split("\n")[:_LINES_BEFORE_HEADER]
    return Form.ROWS if any(header_of(line) is not None for line in lines) else Form.LINES
