"""JSON: an object a line (what `decode` writes, too), or lists of objects as a station API answers."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import datetime

from watcher.replay.archives.blocks import Block
from watcher.replay.archives.dates import time_in
from watcher.replay.archives.entries import KINDS, Entry, Notes, entry_of
from watcher.replay.archives.forms import KIND, MADE_AT, RECEIVED_AT, TEXT, places
from watcher.replay.archives.text import counted_lines, text_of

_BLANKS = re.compile(r"\s*")
_BETWEEN = re.compile(r"[\s,]*")
# Marks of the beginning and the end of a bulletin, which are no damage.
_MARKS = "\x01\x03"


def object_entries(block: Block, notes: Notes) -> Iterator[Entry]:
    """Yield the entries of a block with an object a line."""
    lines = counted_lines(block.body, block.first_line, notes, cut=block.cut)
    for number, line in enumerate(lines, block.first_line):
        if not line.strip():
            notes.blank += 1
            continue
        try:
            value = json.loads(line)
        except (ValueError, RecursionError) as error:
            notes.reject(number, f"no JSON that can be read ({_short(error)})")
            continue
        entry = _entry(number, value, block, notes)
        if entry is not None:
            yield entry


def list_entries(block: Block, notes: Notes) -> Iterator[Entry]:
    """Yield the entries of a list of objects, up to where it is damaged; other lists and objects may stand after it."""
    text = text_of(block.body, block.first_line, notes)
    for number, value in _values(text, notes):
        notes.lines += 1
        entry = _entry(number, value, block, notes)
        if entry is not None:
            yield entry


def _values(text: str, notes: Notes) -> Iterator[tuple[int, object]]:
    """Yield what stands in the lists of a file, and beside them, counted over all of it."""
    reader = json.JSONDecoder()
    number = 0
    within = False
    at = _BLANKS.match(text).end()  # type: ignore[union-attr]
    while within or at < len(text):
        if not within and text[at] not in "[{":
            told = f'"{_shown(text[at : at + 40])}" stands where a list or an object should'
            notes.fault(number + 1, "form", f"{told}; it and what stands after it is left out")
            return
        if not within and text[at] == "[":
            at, within = _BETWEEN.match(text, at + 1).end(), True  # type: ignore[union-attr]
        if within and text.startswith("]", at):
            at, within = _BLANKS.match(text, at + 1).end(), False  # type: ignore[union-attr]
            continue
        number += 1
        try:
            value, at = reader.raw_decode(text, at)
        except (ValueError, RecursionError) as error:
            told = f"entry {number} is no JSON that can be read, or ends early ({_short(error)})"
            notes.fault(number, "form", f"{told}; what stands after it is left out")
            return
        yield number, value
        at = (_BETWEEN if within else _BLANKS).match(text, at).end()  # type: ignore[union-attr]


def _entry(number: int, value: object, block: Block, notes: Notes) -> Entry | None:
    if not isinstance(value, dict):
        notes.reject(number, "no JSON object")
        return None
    names = tuple(map(str, value))
    text = next(_texts(value, names, TEXT), "")
    if not text.strip():
        notes.reject(number, "no report text (raw, rawOb, raw_text, report ...) in the object")
        return None
    received_at, near = _time(value, names, RECEIVED_AT), _time(value, names, MADE_AT)
    kind = next((kind for word in _texts(value, names, KIND) if (kind := word.strip().upper()) in KINDS), None)
    plain = " ".join(text.split())
    if not plain.isprintable():
        plain = _blanked(number, plain, notes)
    return entry_of(number, plain, kind, near or received_at, block.dated, received_at)


def _blanked(number: int, plain: str, notes: Notes) -> str:
    """Return a text with blanks for what stands for no letter, such as half a pair."""
    odd = sum(not letter.isprintable() for letter in plain if letter not in _MARKS)
    if odd:
        notes.fault(number, "letters", f"{odd} sign{'s' if odd > 1 else ''} that cannot be shown, read as blanks")
    return " ".join(_shown(plain, " ").split())


def _shown(text: str, other: str = "?") -> str:
    return "".join(letter if letter.isprintable() else other for letter in text)


def _texts(value: dict[str, object], names: tuple[str, ...], wanted: tuple[str, ...]) -> Iterator[str]:
    for place in places(names, wanted):
        text = value[names[place]]
        if isinstance(text, str):
            yield text


def _time(value: dict[str, object], names: tuple[str, ...], wanted: tuple[str, ...]) -> datetime | None:
    times = (time_in(value[names[place]]) for place in places(names, wanted))
    return next((at for at in times if at is not None), None)


def _short(error: Exception) -> str:
    return str(error)[:80]
