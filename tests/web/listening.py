"""A reader of event streams, written from the standard: WHATWG HTML, section 9.2.6 "Interpreting an event stream".

https://html.spec.whatwg.org/multipage/server-sent-events.html#event-stream-interpretation
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from typing import Any

import httpx

from tests.web.scenes import KEY, Site, Swapped, house_around
from watcher.links import LinkMaker
from watcher.store.store import Store
from watcher.web.app import build_app
from watcher.web.live import LiveEvents
from watcher.web.server import WebServer

_LINE_END = re.compile(r"\r\n|\r|\n")


@dataclass(frozen=True)
class Heard:
    """One event. `mark`: the last event id when it was dispatched."""

    type: str
    data: str
    mark: str


@dataclass
class Parser:
    """Takes text in any pieces; `heard` holds what a browser would have dispatched."""

    heard: list[Heard] = field(default_factory=list)
    mark: str = ""
    retry_ms: int | None = None
    comments: int = 0
    _rest: str = ""
    _type: str = ""
    _data: list[str] = field(default_factory=list)

    def take(self, text: str) -> None:
        *lines, self._rest = _LINE_END.split(self._rest + text)
        for line in lines:
            self._line(line)

    def _line(self, line: str) -> None:
        if not line:
            if self._data:
                self.heard.append(Heard(self._type or "message", "\n".join(self._data), self.mark))
            self._type, self._data = "", []
            return
        name, _, value = line.partition(":")
        value = value.removeprefix(" ")
        match name:
            case "":
                self.comments += 1
            case "event":
                self._type = value
            case "data":
                self._data.append(value)
            case "id" if "\0" not in value:
                self.mark = value
            case "retry" if value.isascii() and value.isdigit():
                self.retry_ms = int(value)


class Listening:
    """An open stream. `answer`: its head."""

    def __init__(self, answer: httpx.Response) -> None:
        self.answer = answer
        self.parser = Parser()
        self.over = asyncio.Event()
        self._more = asyncio.Condition()
        self._taken = 0

    async def read(self) -> None:
        try:
            async for text in self.answer.aiter_text():
                self.parser.take(text)
                async with self._more:
                    self._more.notify_all()
        finally:
            self.over.set()
            async with self._more:
                self._more.notify_all()

    async def next(self, count: int = 1, within: float = 5) -> list[Heard]:
        """Return the next events, once there are as many."""
        upto = self._taken + count
        await self.until(lambda: len(self.parser.heard) >= upto, within)
        heard, self._taken = self.parser.heard[self._taken : upto], upto
        return heard

    async def until(self, holds: Any, within: float = 5) -> None:
        async with asyncio.timeout(within), self._more:
            await self._more.wait_for(holds)

    def nothing_more(self) -> bool:
        return len(self.parser.heard) == self._taken


@asynccontextmanager
async def listening(
    client: httpx.AsyncClient, url: str, mark: str | None = None, **asked: Any
) -> AsyncIterator[Listening]:
    """Open a stream; it has begun, with an id, when this is entered."""
    headers = asked.pop("headers", {}) | ({"Last-Event-ID": mark} if mark is not None else {})
    async with client.stream("GET", url, headers=headers, timeout=30, **asked) as answer:
        stream = Listening(answer)
        reading = asyncio.create_task(stream.read())
        try:
            assert answer.status_code == 200, answer.status_code
            yield stream
        finally:
            reading.cancel()
            await asyncio.gather(reading, return_exceptions=True)


@dataclass
class LongOpen:
    """A server that stays up while its store is exchanged; its live events begin anew with each store."""

    swapped: Swapped
    site: Site
    live: LiveEvents

    async def over(self, store: Store) -> Site:
        if self.live._following is not None:
            self.live._following.cancel()
            await asyncio.gather(self.live._following, return_exceptions=True)
        self.swapped.store = store
        return replace(self.site, store=store)


@asynccontextmanager
async def long_open() -> AsyncIterator[LongOpen]:
    swapped = Swapped()
    app = build_app(house_around(swapped))
    async with WebServer(app, "127.0.0.1:0") as server, httpx.AsyncClient(timeout=10) as client:
        origin = f"http://127.0.0.1:{server.port}"
        yield LongOpen(swapped, Site(swapped, LinkMaker(origin, KEY), client, origin), app.state.live)
