"""The API's events: to read in pages, or to follow in a stream that goes on where it was left."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterable, Iterator
from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends, Header, Query, Request, Response
from pydantic import Field

from watcher.alerts.model import Event, EventType
from watcher.notify.wording import short
from watcher.rulebook.words import Flag, Level
from watcher.web.api import ApiRouter, Gate, problems
from watcher.web.doors import api_door
from watcher.web.etags import answer
from watcher.web.events_contract import EventListBody
from watcher.web.house import House
from watcher.web.live import AT_ONCE, LiveEvents
from watcher.web.live_lines import BEAT, GAP, Line, Wanted, frame, gap_body, one_line
from watcher.web.live_stream import EventStream
from watcher.web.rest.fields import CODE, Asked, FlagWord, LevelWord

# A page of the list holds at most so many; and so many are looked through for those that are wanted.
_LONGEST_LIST, _MOST_LOOKED_AT = 500, 2000
_STREAM: dict[int | str, dict[str, object]] = {
    200: {
        "description": "Server-sent events (WHATWG HTML, section 9.2): `id` the number, `event` the type, `data` the "
        f"event as in the list. `{GAP}` says that events after the one named are no longer kept.",
        "content": {"text/event-stream": {"schema": {"type": "string"}}},
    },
    **problems(401, 403, 422, 429, 503),
}


class EventsAsked(Asked):
    """Which events; what is left out: all."""

    station: list[Annotated[str, Field(pattern=CODE)]] = Field([], description="Of these stations.")
    flag: list[FlagWord] = Field([], description="Of these flags; what has none, such as blindness, comes, too.")
    type: list[EventType] = Field([], description="Of these types.")
    min_level: LevelWord = Field(
        "note", description="At this level or higher, one that was lowered as before; what has none comes, too."
    )

    def wanted(self) -> Wanted:
        """Return what passes."""
        flags = frozenset(map(Flag, self.flag))
        return Wanted(frozenset(self.station), flags, frozenset(self.type), Level.of(self.min_level))


class ListAsked(EventsAsked):
    """Which page of them."""

    after: int = Field(0, ge=0, le=2**53, description="Number of the last one that is known; 0: from the first.")
    limit: int = Field(100, ge=1, le=_LONGEST_LIST, description="How many at most.")


class StreamAsked(EventsAsked):
    """Where to go on."""

    last_event_id: str | None = Field(None, description="For clients that cannot send the header Last-Event-ID.")


def events_api(house: House, live: LiveEvents) -> ApiRouter:
    """Return the routes under ``/api/v1/events``."""
    gate, pass_again = Gate(house), api_door(house, "read")
    router = ApiRouter(gate, "/events", "events")

    @router.reads("", EventListBody)
    async def list_events(request: Request, asked: Annotated[ListAsked, Query()]) -> Response:
        """List what happened, oldest first. `next` is the `after` of the following piece; `more`: there is one now."""
        page = await asyncio.to_thread(_page, house, asked.wanted(), asked.after, asked.limit)
        items = [live.telling.body(number, event) for number, event in page.events]
        return answer(request, {"items": items, "next": page.next, "more": page.more, "removed_to": page.removed_to})

    @router.get("/stream", dependencies=[Depends(gate.door("read"))], responses=_STREAM, response_class=Response)
    async def follow_events(
        request: Request,
        asked: Annotated[StreamAsked, Query()],
        last_event_id: Annotated[str | None, Header(description="Sent by a client that comes back.")] = None,
    ) -> Response:
        """Tell what happens as it happens, and first what happened after the event that the client had last."""
        ear = ProgramEar(asked.wanted(), last_event_id or asked.last_event_id)
        return EventStream(live, request, pass_again, ear)

    return router


class ProgramEar:
    """What a program hears: events in the words of the contract, each with its number.

    `after`: number of the last event that it has; None: it begins with what happens from now on.
    """

    def __init__(self, wanted: Wanted, after: str | None) -> None:
        self._wanted = wanted
        self._after = after
        self._row: int | None = None
        self._told: int | None = None

    async def before(self, live: LiveEvents, row: int, turn: int) -> AsyncIterator[Iterable[bytes]]:  # noqa: ARG002
        """Give the events that the store has after the last one heard."""
        if self._row is None and self._after is None:
            self._row = row
            yield (self._place(),)
            return
        gap = await self._gap(live, row)
        if gap is not None:
            yield (gap,)
        assert self._row is not None
        while self._row < row:
            found = await asyncio.to_thread(live.house.store.events_after, self._row, AT_ONCE)
            events = [item for item in found if item[0] <= row]
            yield self._frames(live, events)
            self._row = row if len(events) < AT_ONCE else min(row, events[-1][0])

    def hear(self, line: Line) -> bytes:
        """Return the event's frame."""
        assert self._row is not None
        if line.event is None or line.row <= self._row:
            return b""
        self._row = line.row
        if not self._wanted.takes(line.event):
            return b""
        self._told = line.row
        return line.for_programs

    def _frames(self, live: LiveEvents, events: Iterable[tuple[int, Event]]) -> Iterator[bytes]:
        for row, event in events:
            if self._wanted.takes(event):
                self._told = row
                yield live.telling.for_programs(row, event)

    def beat(self) -> bytes:
        """Say how far all has been looked at; who comes back from there need not wait for what was not wanted."""
        return BEAT if self._told == self._row else self._place()

    def _place(self) -> bytes:
        self._told = self._row
        return frame(mark=str(self._row))

    async def _gap(self, live: LiveEvents, row: int) -> bytes | None:
        """Return what says that events are missing, where that is so; find out where to go on."""
        numbers = await live.numbers()
        known = self._row if self._row is not None else _number(self._after or "")
        if known is None or known > numbers.newest:
            told, removed_to, self._row = short(self._after or "", 40), None, row
        elif known < numbers.removed_to:
            told, removed_to, self._row = str(known), numbers.removed_to, known
        else:
            self._row = known
            return None
        body = gap_body(told, removed_to, live.house.clock())
        return frame(one_line(body), event=GAP, mark=str(self._row))


@dataclass(frozen=True, slots=True)
class _Page:
    events: list[tuple[int, Event]]
    next: int
    more: bool
    removed_to: int | None


def _page(house: House, wanted: Wanted, after: int, limit: int) -> _Page:
    """Look through the events after a number until enough are found, or enough are looked at."""
    numbers = house.store.event_numbers()
    events: list[tuple[int, Event]] = []
    reached, looked_at, more = after, 0, True
    while more and len(events) < limit and looked_at < _MOST_LOOKED_AT:
        some = house.store.events_after(reached, AT_ONCE)
        looked_at += len(some)
        more = len(some) == AT_ONCE
        for number, event in some:
            if len(events) == limit:
                more = True
                break
            reached = number
            if wanted.takes(event):
                events.append((number, event))
    return _Page(events, reached, more, numbers.removed_to if after < numbers.removed_to else None)


def _number(text: str) -> int | None:
    return int(text) if text.isascii() and text.isdigit() and len(text) < 19 else None
