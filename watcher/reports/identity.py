"""When two texts are the same report."""

from __future__ import annotations

import hashlib
import re

_NOT_PRINTED = re.compile(r"[^\x21-\x7e]+")
_TYPE_WORDS = ("METAR ", "SPECI ", "TAF ")

# The last words of a text that was made from XML, after RMK. The second: the XML says something finer than the text.
FROM_IWXXM = "FROM IWXXM"
ROUNDED = f"{FROM_IWXXM} ROUNDED"


def normalise(text: str) -> str:
    """Return a report in capitals, with single blanks, without control characters and without end marks."""
    if not (text.isascii() and text.isprintable()) or "  " in text:
        text = _NOT_PRINTED.sub(" ", text)
    return text.strip(" =$").upper()


def text_hash(raw: str) -> str:
    """Return 16 hex digits that are the same for the same report, whoever sent it.

    Blanks, letter case, the end marks, the word for its type and the mark of a text made from XML do not count. AUTO,
    COR and AMD do, and so does that XML says something finer.
    """
    text = normalise(raw).removesuffix(f" {FROM_IWXXM}").removesuffix(" RMK")
    for word in _TYPE_WORDS:
        text = text.removeprefix(word)
    return hashlib.blake2b(text.encode(), digest_size=8).hexdigest()


def marked(text: str, *, rounded: bool) -> str:
    """Return a text that was made from XML, with the mark that says so."""
    mark = ROUNDED if rounded else FROM_IWXXM
    return f"{text} {mark}" if " RMK " in text else f"{text} RMK {mark}"


def is_made_from_xml(raw: str) -> bool:
    """Return whether a text carries the mark that it was made from XML, and so has no remarks of its station."""
    return normalise(raw[-64:]).endswith((FROM_IWXXM, ROUNDED))
