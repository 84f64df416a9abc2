"""The one way from a report as received to what it says. Never raises for one: what cannot be read is Unreadable."""

from __future__ import annotations

from datetime import datetime

from watcher.reports.iwxxm import decode_xml
from watcher.reports.model import Decoded
from watcher.reports.text import decode_text


def decode_report(
    text: str,
    *,
    received_at: datetime,
    kind: str | None = None,
    observed_at: datetime | None = None,
    second_reader: bool = True,
) -> Decoded:
    """Return what one METAR, SPECI or TAF says, as text or as the XML of one IWXXM report.

    Parameters
    ----------
    text
        As received: any blanks, letter case and end marks.
    received_at
        When it came in, aware UTC. Month and year of a text are taken from here, never from the machine's clock; XML
        has its own.
    kind
        METAR, SPECI or TAF as the feed says; the word in the text goes first. Neither: METAR.
    observed_at
        The feed's own date of the report; used for month and year only.
    second_reader
        Compare with an independent decoder, and say where the two differ.
    """
    if text.lstrip("\ufeff \r\n\t").startswith("<"):
        return decode_xml(text, received_at=received_at, second_reader=second_reader)
    return decode_text(text, received_at=received_at, kind=kind, observed_at=observed_at, second_reader=second_reader)
