"""How times, levels and kinds of message are put into words for people."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from datetime import UTC, datetime

from watcher.alerts.model import EventBody, EventType, ProtectionLine
from watcher.alerts.outbox import Detour, Instead
from watcher.outlook.model import Odds
from watcher.rulebook.words import Kind, Level, NoTime
from watcher.units import clock_z, percent, zone_named

TOLD_AS_WORDS: dict[EventType, str] = {
    EventType.OPENED: "New alert",
    EventType.RAISED: "Worse",
    EventType.LOWERED: "Less bad",
    EventType.CONFIRMED: "Expected before, now reported",
    EventType.CLOSED: "Ended",
    EventType.WITHDRAWN: "Withdrawn",
    EventType.TAKEN: "Taken in hand",
    EventType.REMINDER: "Reminder: nobody has taken this",
    EventType.BLIND: "Station blind",
    EventType.SEEING: "Station seeing again",
    EventType.SHORTENED: "Protection shortened",
    EventType.LOST: "Protection lost",
    EventType.DIGEST: "Digest",
    EventType.UNWELL: "Service not well",
    EventType.WELL: "Service well again",
    EventType.TEST: "Test message",
}
# What keeps a message from the destination that it was meant for.
DETOUR_WORDS: dict[Detour, str] = {
    Detour.SILENT: "does not answer",
    Detour.REFUSED: "did not take it",
    Detour.OFF: "wants no more messages",
}
ENDINGS = frozenset({EventType.CLOSED, EventType.WITHDRAWN})
OF_SERVICE = frozenset({EventType.UNWELL, EventType.WELL})

_NO_TIME_WORDS = {
    NoTime.NONE: "no take-off on the tables",
    NoTime.ALLOWANCE: "an allowance time may exist",
    NoTime.SPECIAL: "only under the operator's special approval",
}
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
# Controls, what turns the direction of writing, halves of characters, and the separators that break a line.
_UNSAFE = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})


def plain(text: str) -> str:
    """Return a text on one line without anything that could break a header, a page or a terminal."""
    if text.isascii() and text.isprintable():
        return " ".join(text.split())
    shown = (" " if unicodedata.category(letter) in _UNSAFE else letter for letter in text)
    return " ".join("".join(shown).split())


def short(text: str, most: int = 200) -> str:
    """Return what a receiver said as one printable line of at most so many characters."""
    line = plain(text)
    return line if len(line) <= most else line[: most - 1] + "…"


def when(moment: datetime, zone: str | None) -> str:
    """Return a time for people: ``12 Jan 0550Z (06:50 Europe/Oslo)``; the local day only where it is another."""
    utc = moment.astimezone(UTC)
    text = f"{_day(utc)} {clock_z(utc)}"
    local = _local(utc, zone)
    if local is None:
        return text
    day = f"{_day(local)} " if local.date() != utc.date() else ""
    return f"{text} ({day}{local:%H:%M} {zone})"


def level_text(body: EventBody, told_as: EventType) -> str | None:
    """Return the level with what it was and what it asks for; None where there is none."""
    if body.level is None:
        return None
    if told_as in ENDINGS:
        return f"{body.level.word} until then"
    was = f", was {body.previous_level.word}" if body.previous_level is not None else ""
    meaning = body.level.meaning
    if body.level is Level.NO_TIME and body.no_time is not None:
        meaning += f": {_NO_TIME_WORDS[body.no_time]}"
    return f"{body.level.word}{was} ({meaning})"


def clock_text(line: ProtectionLine) -> str:
    """Return the ends of a protection's times in one line, and whose figures they are."""
    fluid = f"{line.fluid} {line.mix}" if line.mix is not None else line.fluid
    ends = [
        f"{what} {clock_z(moment)}"
        for what, moment in (
            ("lower end", line.lower_ends_at),
            ("upper end", line.upper_ends_at),
            ("allowance time ends", line.allowance_ends_at),
        )
        if moment is not None
    ]
    figures = f" ({line.authority}, {line.season}{', TRAINING' if line.training else ''})" if line.season else ""
    return f"{', '.join(ends) or 'no time exists'}; {fluid}{figures if ends else ''}"


def span_text(body: EventBody, told_as: EventType) -> tuple[str, str] | None:
    """Return what the time is and the time: since when, or from when until when; None where none is known."""
    if body.begins_at is None:
        return None
    begins = when(body.begins_at, body.zone)
    until = when(body.until, body.zone) if body.until is not None else None
    if body.protection is not None:
        return "Final application", f"{begins}, protected until {until}" if until is not None else begins
    if told_as in ENDINGS or told_as is EventType.WELL:
        label = "Was expected" if body.kind is Kind.EXPECTED else "Lasted"
        if body.until is not None and body.until < body.begins_at:
            return label, f"from {begins}, given up {until}"
        return label, f"{begins} until {until}" if until is not None else f"{begins}, open when last seen"
    if body.kind is Kind.EXPECTED:
        certainty = f", {body.certainty.value}" if body.certainty is not None else ""
        if body.odds is not None:
            certainty += f", {percent(body.odds.probability)}{_doubt_text(body.odds)}"
        return "Expected", f"{begins} until {until or 'a time not given'}{certainty}"
    if told_as is EventType.SEEING:
        return "Was blind since", begins
    return "Since", f"{begins}, not ended"


def _doubt_text(odds: Odds) -> str:
    """Return between which times it begins and ends, as far as that is known."""
    said = [
        f"{what} between {clock_z(span[0])} and {clock_z(span[1])}"
        for what, span in (("begins", odds.begins_between), ("ends", odds.ends_between))
        if span is not None and span[0] != span[1]
    ]
    doubt = f"; in 8 of 10 computed nights it {' and '.join(said)}" if said else ""
    return f"{doubt}; it goes on after that" if odds.goes_on else doubt


_STORM_NAMES = 4


def instead_text(instead: Instead) -> str:
    """Return for whom a message was meant that goes to a fallback, and why it comes this way."""
    return f"Meant for {plain(instead.meant_for)}, which {DETOUR_WORDS[instead.why]}."


def storm_headline(told: Sequence[tuple[EventType, EventBody]]) -> str:
    """Return one line for several events, worst first, each station once.

    Such as ``6 changes: XBAY no-time, XNOR treat expected, XMOR blind, XFEL snow ended, and 2 more``.
    """
    worst: dict[str, str] = {}
    for told_as, body in told:
        worst.setdefault(body.station or _nowhere(told_as), _in_a_word(told_as, body))
    shown = [f"{station} {word}" for station, word in worst.items()]
    rest = f", and {len(shown) - _STORM_NAMES} more" if len(shown) > _STORM_NAMES else ""
    return f"{len(told)} changes: {', '.join(shown[:_STORM_NAMES])}{rest}"


def _nowhere(told_as: EventType) -> str:
    """Return what an event is about that belongs to no station."""
    return "service" if told_as in OF_SERVICE else ""


def _in_a_word(told_as: EventType, body: EventBody) -> str:
    if told_as in ENDINGS:
        # Other alerts of the station may stand: what ended is named.
        flag = f"{body.flag.value.replace('-', ' ')} " if body.flag is not None else ""
        return f"{flag}{_WORD_OF[told_as]}"
    if told_as in _WORD_OF:
        return _WORD_OF[told_as]
    level = body.level.word if body.level is not None else "?"
    return f"{level} expected" if body.kind is Kind.EXPECTED else level


_WORD_OF = {
    EventType.CLOSED: "ended",
    EventType.WITHDRAWN: "withdrawn",
    EventType.BLIND: "blind",
    EventType.SEEING: "seeing again",
    EventType.TAKEN: "taken in hand",
    EventType.SHORTENED: "protection shortened",
    EventType.LOST: "protection lost",
    EventType.UNWELL: "not well",
    EventType.WELL: "well again",
}


def _day(moment: datetime) -> str:
    return f"{moment.day} {_MONTHS[moment.month - 1]}"


def _local(moment: datetime, zone: str | None) -> datetime | None:
    known = zone_named(zone)
    return moment.astimezone(known) if known is not None else None
