"""One thing that listeners are told, and the text of an event stream (WHATWG HTML, section 9.2 Server-sent events)."""

from __future__ import annotations

import json
import re
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, timedelta

from watcher.alerts.model import Event, EventType, SubjectKind
from watcher.notify.cleaning import cleaned
from watcher.notify.message import Links, Message, part_of
from watcher.notify.payload import webhook_body
from watcher.rulebook.words import Flag, Level
from watcher.units import iso_z

# So many stations are fetched piece by piece; where more have changed, a page is fetched whole.
MOST_CODES = 500
# A comment; it keeps proxies from closing a stream in which nothing happens.
BEAT = b":\n\n"
# The type of what tells a program that events are missing; it names no event of the store.
GAP = "icing.stream.gap"
_LINE_ENDS = re.compile(r"\r\n|\r|\n")


def frame(data: str | None = None, *, event: str | None = None, mark: str | None = None) -> bytes:
    """Return one event of a stream.

    Parameters
    ----------
    data
        What it says. A line end in it begins another line of data, as the standard has it, and nothing else.
    event
        Its type; left out: ``message``.
    mark
        Its id: what a client sends as Last-Event-ID when it comes back.

    Raises
    ------
    ValueError
        The type or the id holds what would end its line.
    """
    fields = [("id", mark), ("event", event)]
    if any(text is not None and set(text) & set("\r\n\0") for _, text in fields):
        raise ValueError("a line end in the id or the type of an event")
    if data is not None:
        fields += [("data", line) for line in _LINE_ENDS.split(data)]
    return "".join(f"{name}: {text}\n" for name, text in fields if text is not None).encode() + b"\n"


def one_line(value: object) -> str:
    """Return JSON in ASCII on one line; control characters and line ends stand in it as escapes only."""
    return json.dumps(value, separators=(",", ":"))


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a listener asked for; an empty set: all.

    An event without a flag or a level, such as blindness, always passes those two: silence about it would look like
    calm. Of an event that lowers a level the level before counts too, so that whoever was told of it learns its end.
    """

    stations: frozenset[str] = frozenset()
    flags: frozenset[Flag] = frozenset()
    types: frozenset[EventType] = frozenset()
    min_level: Level | None = None

    def takes(self, event: Event) -> bool:
        """Return whether an event is wanted."""
        body = event.body
        reached = max((level for level in (body.level, body.previous_level) if level is not None), default=None)
        return (
            (not self.stations or bool(self.stations & _stations(event)))
            and (not self.flags or body.flag is None or body.flag in self.flags)
            and (not self.types or event.type in self.types)
            and (self.min_level is None or reached is None or reached >= self.min_level)
        )


def _stations(event: Event) -> set[str]:
    """Return the stations that an event tells of: a digest tells of several."""
    body = event.body
    return {body.station, *(line.station for line in body.lines), *(line.station for line in body.parked)}


@dataclass(frozen=True, slots=True)
class Line:
    """One thing that happened, with its frames, which are made once for all who listen.

    `row`: number of the event that it is, or of the newest before it. `mark`: where a page stands after it. `event`:
    None where only what is known of some stations changed, which are `codes` then.
    """

    row: int
    mark: str
    event: Event | None = None
    codes: tuple[str, ...] = ()
    for_programs: bytes = b""
    for_pages: bytes = b""


@dataclass(frozen=True, slots=True)
class Telling:
    """How events are told: the same in lists and in streams, whenever they are read.

    `board`: where people reach the service, None where that is not known. `valid_for`: how long one is worth reading.
    """

    board: str | None
    valid_for: timedelta

    def body(self, row: int, event: Event) -> dict[str, object]:
        """Return the body of a webhook with the number of the event's row; ages are counted to the event's own time."""
        links = Links(board=self.board)
        message = Message(event.id, (part_of(event, event.at),), event.at, event.at + self.valid_for, links)
        return {"number": row, **webhook_body(message)}

    def for_programs(self, row: int, event: Event) -> bytes:
        """Return an event's frame in the stream of the API."""
        return frame(one_line(self.body(row, event)), event=event.type.value, mark=str(row))

    def line(self, row: int, mark: str, event: Event) -> Line:
        """Return the line of an event."""
        programs = self.for_programs(row, event)
        return Line(row, mark, event, for_programs=programs, for_pages=alert_frame(event, mark))


def alert_frame(event: Event, mark: str) -> bytes:
    """Return what pages are told of an event: enough to name it; they fetch what they show."""
    if event.subject_kind is SubjectKind.SERVICE:
        # For caretakers; who looks at the weather is told by the page itself when what it shows is old.
        return frame(mark=mark)
    body = cleaned(event.body)
    said = {
        "event": event.id,
        "type": event.type.value,
        "episode": event.subject_id if event.subject_kind is SubjectKind.EPISODE else None,
        "station": body.station or None,
        "flag": body.flag.value if body.flag is not None else None,
        "level": body.level.word if body.level is not None else None,
        "headline": body.headline,
        "at": iso_z(event.at),
    }
    return frame(one_line(said), event="alert", mark=mark)


def stations_frame(codes: Collection[str], mark: str) -> bytes:
    """Return what pages are told of stations of which something else is known now; of none, only the mark."""
    if not codes:
        return frame(mark=mark)
    return frame(" ".join(codes), event="stations", mark=mark) if len(codes) <= MOST_CODES else refresh_frame(mark)


def refresh_frame(mark: str) -> bytes:
    """Return what tells a page to fetch itself whole."""
    return frame("all", event="refresh", mark=mark)


def gap_body(after: str, removed_to: int | None, now: datetime) -> dict[str, object]:
    """Return what tells a program that events are missing: in the shape of an event.

    Parameters
    ----------
    after
        Where it said that it had stopped.
    removed_to
        Up to which number events were removed; None: no event here ever had the number it gave.
    """
    why = (
        f"Events up to number {removed_to} that were over are removed; what of them came after {after} is missing here."
        if removed_to is not None
        else "No event here has this number: the service has another store than the one that gave it."
    )
    data = {"after": after, "removed_to": removed_to, "why": why, "next_step": "Read the open episodes anew."}
    return {"number": None, "type": GAP, "timestamp": iso_z(now), "data": data}
