"""When two texts are the same report."""

from __future__ import annotations

import hashlib
import re

_NOT_PRINTED = re.compile(r"[^\x21-\x7e]+")
_TYPE_WORDS = ("METAR ", "SPECI ", "TAF ")


def normalise(text: str) -> str:
    """Return a report in capitals, with single blanks, without control characters and without end marks."""
    if not (text.isascii() and text.isprintable()) or "  " in text:
        text = _NOT_PRINTED.sub(" ", text)
    return text.strip(" =$").upper()


def text_hash(raw: str) -> str:
    """Return 16 hex digits that are the same for the same report, whoever sent it.

    Blanks, letter case, the end marks and the word for its type do not count. AUTO, COR and AMD do.
    """
    text = normalise(raw)
    for word in _TYPE_WORDS:
        text = text.removeprefix(word)
    return hashlib.blake2b(text.encode(), digest_size=8).hexdigest()
