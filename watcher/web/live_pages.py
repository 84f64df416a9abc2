"""What pages hear while they are open, so that they fetch the pieces of them that are no longer true.

``GET /live?station=XNOR&since=MARK`` is an event stream (WHATWG HTML, section 9.2), for a script of a few lines or for
attributes of the page:

- ``stations``: codes with a space between; what is known of these stations has changed. Only those asked for.
- ``alert``: JSON of what a subscriber may be told: event, type, episode, station, flag, level, headline, at.
- ``refresh``: the page may have missed something, or nearly all has changed; it should be fetched whole.

Each carries a mark as its id. A page names the mark of `mark_for` when it begins, and misses nothing since it was made.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import AsyncIterator, Iterable
from typing import Annotated

from fastapi import APIRouter, Depends, Header, Query, Request, Response

from watcher.alerts.model import Event
from watcher.web.doors import page_door
from watcher.web.house import House
from watcher.web.live import AT_ONCE, LiveEvents
from watcher.web.live_lines import Line, Wanted, alert_frame, frame, refresh_frame, stations_frame
from watcher.web.live_stream import EventStream

_MARK = re.compile(r"([0-9]{1,18})\.([0-9a-f]{8})\.([0-9]{1,9})")
_Station = Annotated[str, Query(pattern=r"^[A-Z][A-Z0-9]{3}$")]


def live_pages(house: House, live: LiveEvents) -> APIRouter:
    """Return the stream of the pages."""
    door = page_door(house, "read")
    router = APIRouter(include_in_schema=False, dependencies=[Depends(door)])

    @router.get("/live")
    async def listen(
        request: Request,
        last_event_id: Annotated[str | None, Header()] = None,
        since: str | None = None,
        station: Annotated[list[_Station], Query()] = [],  # noqa: B006 - read only
    ) -> Response:
        return EventStream(live, request, door, PageEar(frozenset(station), last_event_id or since))

    return router


async def mark_for(request: Request) -> str:
    """Return what a page names as `since` when it begins to listen; ask before the page looks at the stations."""
    live: LiveEvents = request.app.state.live
    return await live.mark()


class PageEar:
    """What a page hears. `stations`: of these only, all when empty. `since`: the mark that it has, if any."""

    def __init__(self, stations: frozenset[str], since: str | None) -> None:
        self._stations = stations
        self._wanted = Wanted(stations)
        self._mark = since
        self._row = 0

    async def before(self, live: LiveEvents, row: int, turn: int) -> AsyncIterator[Iterable[bytes]]:
        """Give the alerts since the mark and the stations that have changed, or say that the page is too old."""
        known, self._mark = self._mark, live.mark_of(row, turn)
        codes: tuple[str, ...] | None = ()
        events: list[Event] | None = []
        if known is not None:
            marked = _MARK.fullmatch(known)
            codes = live.changed_since(marked[2], int(marked[3])) if marked is not None else None
            events = await _events(live, int(marked[1]), row) if marked is not None else None
        self._row = row
        if codes is None or events is None:
            yield (refresh_frame(self._mark),)
            return
        alerts = (alert_frame(event, self._mark) for event in events if self._wanted.takes(event))
        yield (*alerts, stations_frame(self._ours(codes), self._mark))

    def hear(self, line: Line) -> bytes:
        """Return the frame of an alert or of changed stations."""
        self._mark = line.mark
        if line.event is not None:
            told_before, self._row = line.row <= self._row, max(self._row, line.row)
            return b"" if told_before or not self._wanted.takes(line.event) else line.for_pages
        if not self._stations:
            return line.for_pages
        ours = self._ours(line.codes)
        return stations_frame(ours, line.mark) if ours else b""

    def beat(self) -> bytes:
        """Say where the page stands; it keeps the stream open, too."""
        return frame(mark=self._mark)

    def _ours(self, codes: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(code for code in codes if code in self._stations) if self._stations else codes


async def _events(live: LiveEvents, after: int, row: int) -> list[Event] | None:
    """Return the events between two numbers; None where they are too many to tell, or the first is of another store."""
    if not 0 <= row - after <= AT_ONCE:
        return None
    found = await asyncio.to_thread(live.house.store.events_after, after, AT_ONCE)
    return [event for number, event in found if number <= row]
