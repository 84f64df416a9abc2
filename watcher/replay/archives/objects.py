"""JSON: an object a line (what `decode` writes, too), or one list of objects as a station API answers."""

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

_BETWEEN = re.compile(r"[\s,]*")


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
    """Yield the entries of one list of objects, up to where it is damaged."""
    text = text_of(block.body, block.first_line, notes)
    reader = json.JSONDecoder()
    at = text.find("[") + 1
    if not at:
        notes.fault(None, "form", "no list of objects")
        return
    number = 0
    while True:
        at = _BETWEEN.match(text, at).end()  # type: ignore[union-attr]
        if text.startswith("]", at):
            return
        number += 1
        try:
            value, at = reader.raw_decode(text, at)
        except (ValueError, RecursionError) as error:
            told = f"entry {number} is no JSON that can be read, or ends early ({_short(error)})"
            notes.fault(number, "form", f"{told}; what stands after it is left out")
            return
        notes.lines += 1
        entry = _entry(number, value, block, notes)
        if entry is not None:
            yield entry


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
    kind = next((word for word in _texts(value, names, KIND) if word in KINDS), None)
    plain = " ".join(text.split())
    return entry_of(number, plain, kind, near or received_at, block.dated, received_at)


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
