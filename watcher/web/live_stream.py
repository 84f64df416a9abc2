"""One open stream of events: the answer that goes on until its reader leaves or may no longer read."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncGenerator, AsyncIterator, Callable, Iterable, Iterator
from contextlib import aclosing
from itertools import count
from typing import Protocol

from fastapi import Request, Response
from starlette.types import Receive, Scope, Send

from watcher.errors import StoreError
from watcher.web.doors import Door, NotSignedIn, visitor_of
from watcher.web.live import LiveEvents
from watcher.web.live_lines import Line
from watcher.web.problems import Refusal

# Proxies give up on silence after 30 to 60 seconds (common practice, no source).
BEAT_S = 15.0
# Whoever is no longer let in is sent away at the first beat after this.
LOOK_AT_PASS_S = 30.0
# Where many lose their stream at once, they come back one after the other.
_COME_BACK_MS, _SPREAD_MS = 2000, 3000
_HEADERS = {
    "Content-Type": "text/event-stream; charset=utf-8",
    # Read by common reverse proxies: hand on at once whatever comes.
    "X-Accel-Buffering": "no",
}
# Sent together; a reader who is slow has little more than this waiting in the server's memory, the rest in the store.
_PORTION = 64 * 1024
_numbers = count(1)


class Ear(Protocol):
    """What one reader wants to hear and in which words; it remembers how far it has heard."""

    def before(self, live: LiveEvents, row: int, turn: int) -> AsyncIterator[Iterable[bytes]]:
        """Give what is missing between what was heard last and an event and a turn; that counts as heard then."""

    def hear(self, line: Line) -> bytes:
        """Return how a line is told; nothing where it is not wanted."""

    def beat(self) -> bytes:
        """Return what is sent when there was nothing to tell for a while."""


class EventStream(Response):
    """An answer of server-sent events.

    Parameters
    ----------
    live
        Whose events.
    request, door
        Who asks, and the door that they passed; they must be able to pass it again from time to time.
    ear
        What they want to hear.
    """

    def __init__(self, live: LiveEvents, request: Request, door: Door, ear: Ear) -> None:
        super().__init__(headers=_HEADERS)
        del self.headers["Content-Length"]  # nobody knows it
        self._live = live
        self._request = request
        self._door = door
        self._ear = ear
        self._news = asyncio.Event()
        self._left = False

    def wake(self) -> None:
        """Look what is new."""
        self._news.set()

    async def __call__(self, _scope: Scope, receive: Receive, send: Send) -> None:
        """Tell one reader."""
        visitor = visitor_of(self._request)
        await self._live.begin()
        with self._live.seat(self, visitor.name if visitor.signed_in else None):
            leaving = asyncio.create_task(_until_left(receive))
            leaving.add_done_callback(self._gone)
            try:
                await send({"type": "http.response.start", "status": 200, "headers": self.raw_headers})
                await self._send_pieces(send)
                await send({"type": "http.response.body", "body": b"", "more_body": False})
            finally:
                leaving.cancel()

    async def _send_pieces(self, send: Send) -> None:
        clock = asyncio.get_running_loop().time
        look_at = clock() + LOOK_AT_PASS_S
        async with aclosing(self._pieces(clock)) as pieces:
            async for piece in pieces:
                await send({"type": "http.response.body", "body": piece, "more_body": True})
                if not self._goes_on:
                    return
                if clock() >= look_at:
                    if not await self._may_stay():
                        return
                    look_at = clock() + LOOK_AT_PASS_S

    def _gone(self, _leaving: asyncio.Task[None]) -> None:
        self._left = True
        self._news.set()

    @property
    def _goes_on(self) -> bool:
        return not self._left and not self._live.closed

    async def _pieces(self, clock: Callable[[], float]) -> AsyncGenerator[bytes, None]:
        """Give what is to be sent. Where this ends, the reader comes back with its last mark, and nothing is lost."""
        yield b"retry: %d\n\n" % (_COME_BACK_MS + next(_numbers) * 617 % _SPREAD_MS)
        at: int | None = None
        sent_at = clock()
        while self._goes_on:
            self._news.clear()
            lines = self._live.since(at) if at is not None else None
            at = self._live.at
            if lines is None:
                try:
                    async for frames in self._ear.before(self._live, self._live.row, self._live.turn):
                        for piece in in_portions(frames):
                            yield piece
                            sent_at = clock()
                except StoreError:
                    return
                continue
            for piece in in_portions(map(self._ear.hear, lines)):
                yield piece
                sent_at = clock()
            if clock() >= sent_at + BEAT_S:
                yield self._ear.beat()
                sent_at = clock()
            await self._wait_until(sent_at + BEAT_S)

    async def _wait_until(self, until: float) -> None:
        """Wait for news, or for a time; a timer is cheaper than a task that waits for each of a thousand."""
        timer = asyncio.get_running_loop().call_at(until, self._news.set)
        try:
            await self._news.wait()
        finally:
            timer.cancel()

    async def _may_stay(self) -> bool:
        """Return whether the reader would be let in now: a token may have been removed, a session have ended."""
        try:
            await self._door(self._request)
        except (NotSignedIn, Refusal):
            return False
        except StoreError:
            return True
        return True


def in_portions(frames: Iterable[bytes]) -> Iterator[bytes]:
    """Return frames joined into portions worth sending; empty ones give nothing."""
    waiting, length = [], 0
    for one in frames:
        waiting.append(one)
        length += len(one)
        if length >= _PORTION:
            yield b"".join(waiting)
            waiting, length = [], 0
    if length:
        yield b"".join(waiting)


async def _until_left(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass
