"""The live events of one application: what the store and the turns bring, told to all who listen.

Nothing is queued for anybody. A bounded list of the newest lines stands here once for all, and each listener remembers
how far it has read. One that was too slow for the list reads on from the store, as one does that comes back after a
restart; so none is ever lost, and none holds up another.
"""

from __future__ import annotations

import asyncio
import traceback
from collections import Counter, deque
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from itertools import islice
from secrets import token_hex
from typing import Protocol

import structlog

from watcher.alerts.model import StationView
from watcher.errors import StoreError
from watcher.store.model import EventNumbers
from watcher.web.house import House
from watcher.web.live_lines import Line, Telling, stations_frame
from watcher.web.problems import Refusal

_log = structlog.get_logger()
# A thousand are wanted; the rest is for those whose old stream has not been noticed to be over.
MOST_STREAMS = 1200
# Of one token: a control room may share one, and a program that goes wrong leaves room for all others.
MOST_OF_ONE = 300
AT_ONCE = 200
_LINES_KEPT = 1000
_LOOK_EVERY_S = 1.0
# So many are woken together; between them ordinary requests have their turn.
_WOKEN_TOGETHER = 50
_COME_AGAIN_S = "15"


class Listener(Protocol):
    """Somebody to be woken when there is something to hear, or nothing any more."""

    def wake(self) -> None:
        """Look what is new."""


class LiveEvents:
    """Follows the events of a store and the views of the stations. Starts with the first who asks; `close` ends it.

    Parameters
    ----------
    house
        Whose events; `house.after_turn` wakes it, and it looks by itself every second, for others write, too.

    Attributes
    ----------
    row, turn
        Number of the newest event that is told, and how often views have changed since it started.
    at
        How many lines were told since it started.
    """

    def __init__(self, house: House) -> None:
        self.house = house
        self.telling = Telling(house.public_url, house.watch.policy.valid_for)
        self.row = self.turn = self.at = 0
        # Turns are counted anew after each start; a mark of another start must not be taken for one of this.
        self.start = token_hex(4)
        self._lines: deque[Line] = deque(maxlen=_LINES_KEPT)
        self._views: Mapping[str, StationView] = {}
        self._listeners: dict[Listener, None] = {}
        self._of_one: Counter[str] = Counter()
        self._seats = 0
        self._news = asyncio.Event()
        self._begun = asyncio.Lock()
        self._following: asyncio.Task[None] | None = None
        self._closed = False
        house.after_turn(self.wake)

    @property
    def closed(self) -> bool:
        """Whether the streams have to end."""
        return self._closed or self._following is None

    def wake(self) -> None:
        """Look at once: something may be new. Whoever learns of news elsewhere may call it, in the event loop."""
        self._news.set()

    async def begin(self) -> None:
        """Follow from here on, unless that goes on already. Raises a StoreError when the store does not answer."""
        async with self._begun:
            if self._closed:
                raise Refusal(503, "The service is stopping.", headers={"Retry-After": _COME_AGAIN_S})
            if self._following is None:
                numbers = await self.numbers()
                self.row, self.turn, self.at, self.start = numbers.newest, 0, 0, token_hex(4)
                self._lines.clear()
                self._views = self.house.views()
                self._following = asyncio.create_task(self._follow())
                self._following.add_done_callback(self._over)

    async def mark(self) -> str:
        """Return where things stand. A page that names it when it begins to listen misses nothing since then."""
        await self.begin()
        return self.mark_of(self.row, self.turn)

    def mark_of(self, row: int, turn: int) -> str:
        """Return the mark of an event and a turn."""
        return f"{row}.{self.start}.{turn}"

    async def numbers(self) -> EventNumbers:
        """Return how far the store's events go."""
        return await asyncio.to_thread(self.house.store.event_numbers)

    def since(self, at: int) -> list[Line] | None:
        """Return the lines told after the first `at`; None where some of them are no longer here."""
        missing = self.at - at
        if missing > len(self._lines):
            return None
        return [self._lines[index] for index in range(-missing, 0)]

    def changed_since(self, start: str, turn: int) -> tuple[str, ...] | None:
        """Return the stations whose views changed after a turn; None where that is no longer known."""
        if start != self.start or turn > self.turn:
            return None
        missing = self.turn - turn
        newest_first = (line.codes for line in reversed(self._lines) if line.codes)
        later = list(islice(newest_first, missing))
        return tuple(sorted({code for codes in later for code in codes})) if len(later) == missing else None

    @contextmanager
    def seat(self, listener: Listener, name: str | None) -> Iterator[None]:
        """Let somebody listen while the block runs.

        Parameters
        ----------
        listener
            Woken at news.
        name
            Of the token; None for whoever may read without one.

        Raises
        ------
        Refusal
            All seats are taken (503), or all that one token may have (429).
        """
        if self._seats >= MOST_STREAMS:
            raise Refusal(503, "As many listen as can; try again soon.", headers={"Retry-After": _COME_AGAIN_S})
        if name is not None and self._of_one[name] >= MOST_OF_ONE:
            detail = f"{MOST_OF_ONE} streams are open with this token, as many as one may have; close some."
            raise Refusal(429, detail, headers={"Retry-After": _COME_AGAIN_S})
        self._seats += 1
        self.house.count_streams(self._seats)
        if name is not None:
            self._of_one[name] += 1
        self._listeners[listener] = None
        try:
            yield
        finally:
            del self._listeners[listener]
            self._seats -= 1
            self.house.count_streams(self._seats)
            if name is not None:
                self._of_one[name] -= 1
                if not self._of_one[name]:
                    del self._of_one[name]

    async def close(self) -> None:
        """End all streams, now and for good."""
        self._closed = True
        if self._following is not None:
            self._following.cancel()
            with suppress(asyncio.CancelledError):
                await self._following
        await self._wake_all()

    def _over(self, following: asyncio.Task[None]) -> None:
        """Let all come again, should following ever fail; their marks bring them what they missed."""
        self._following = None
        error = None if following.cancelled() else following.exception()
        if error is not None:
            # Lines of code only; the values in a traceback may be secret.
            trace = "".join(traceback.format_exception(error))
            _log.error("live events stopped and will begin anew", exception=trace)
        for listener in tuple(self._listeners):
            listener.wake()

    async def _follow(self) -> None:
        failing = False
        while True:
            self._news.clear()
            try:
                await self._tell_events()
                failing = False
            except StoreError as error:
                if not failing:
                    _log.warning("the store does not tell its events", error=str(error))
                failing = True
            await self._tell_views()
            with suppress(TimeoutError):
                async with asyncio.timeout(_LOOK_EVERY_S):
                    await self._news.wait()

    async def _tell_events(self) -> None:
        found = AT_ONCE
        while found == AT_ONCE:
            events = await asyncio.to_thread(self.house.store.events_after, self.row, AT_ONCE)
            found = len(events)
            for row, event in events:
                self._add(self.telling.line(row, self.mark_of(row, self.turn), event))
                self.row = row
            if events:
                await self._wake_all()

    async def _tell_views(self) -> None:
        views, before = self.house.views(), self._views
        if views is before:
            return
        self._views = views
        codes = [code for code, view in views.items() if before.get(code) is not view]
        codes += [code for code in before if code not in views]
        if codes:
            self.turn += 1
            mark, codes = self.mark_of(self.row, self.turn), sorted(codes)
            self._add(Line(self.row, mark, codes=tuple(codes), for_pages=stations_frame(codes, mark)))
            await self._wake_all()

    def _add(self, line: Line) -> None:
        self._lines.append(line)
        self.at += 1

    async def _wake_all(self) -> None:
        for number, listener in enumerate(tuple(self._listeners), 1):
            listener.wake()
            if number % _WOKEN_TOGETHER == 0:
                await asyncio.sleep(0)
