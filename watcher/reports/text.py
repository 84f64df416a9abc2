"""From a report text to what it says. What cannot be read is Unreadable."""

from __future__ import annotations

from datetime import datetime

from watcher.reports.identity import normalise
from watcher.reports.metar import decode_metar
from watcher.reports.model import Decoded, Observation, Unreadable
from watcher.reports.second_reader import disagreements
from watcher.reports.taf import decode_taf

_LONGEST = 4000


def decode_text(
    text: str,
    *,
    received_at: datetime,
    kind: str | None = None,
    observed_at: datetime | None = None,
    second_reader: bool = True,
) -> Decoded:
    """Return what the text of one METAR, SPECI or TAF says; see `decode.decode_report`, the way in for all forms.

    Parameters
    ----------
    text
        As received: any blanks, letter case and end marks.
    received_at
        When it came in, aware UTC. Month and year are taken from here, never from the machine's clock.
    kind
        METAR, SPECI or TAF as the feed says; the word in the text goes first. Neither: METAR.
    observed_at
        The feed's own date of the report; used for month and year only.
    second_reader
        Compare with an independent decoder, and say where the two differ.
    """
    plain = normalise(text)
    if not plain:
        return Unreadable(text, "an empty text")
    if len(plain) > _LONGEST:
        return Unreadable(text[:_LONGEST], f"longer than any report ({len(plain)} characters)")
    word, _, rest = plain.partition(" ")
    near = observed_at or received_at
    if word == "TAF" or (kind == "TAF" and word not in {"METAR", "SPECI"}):
        return decode_taf(rest if word == "TAF" else plain, received_at=near, raw=text)
    if word in {"METAR", "SPECI"}:
        kind, plain = word, rest
        if plain.startswith(("METAR ", "SPECI ")):
            kind, _, plain = plain.partition(" ")
    decoded = decode_metar(plain, received_at=near, kind="SPECI" if kind == "SPECI" else "METAR", raw=text)
    if second_reader and isinstance(decoded, Observation):
        doubts = disagreements(plain, decoded)
        if doubts:
            return decoded._replace(doubts=(*decoded.doubts, *doubts))
    return decoded
