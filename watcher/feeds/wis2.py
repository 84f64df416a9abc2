"""A feed that is told: aviation reports as they are published in the WMO Information System 2.0.

Brokers are listened to in the background, as long as somebody asks what came. What came is acknowledged when it was
kept, so that nothing is lost by a restart, by another process that takes over, or by a full disk: the brokers bring it
again, for as long as they keep the session. Content that is not in the message itself is fetched through the guard,
within a budget for each host, and used only if its checksum is right.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import suppress
from datetime import datetime, timedelta
from functools import partial
from random import Random
from types import MappingProxyType

from watcher.errors import FeedError
from watcher.feeds.budget import Budgets
from watcher.feeds.model import Fetched, Outcome, What
from watcher.feeds.rows import shown
from watcher.feeds.wis2_desk import Desk, Fate, Read, read_letter
from watcher.feeds.wis2_links import Links
from watcher.feeds.wis2_notice import what_of
from watcher.net import BrokerAddress, Guard, HttpClients, Letter, Listener, Login
from watcher.units import duration_text

# Somebody publishes something at any minute; TAFs are issued every six hours, three at the least (memory).
STALE_AFTER: Mapping[What, timedelta] = MappingProxyType({"metar": timedelta(minutes=75), "taf": timedelta(hours=12)})
# Reports come in bursts at the full and half hour: what comes within so long is judged at once.
GATHER_S = 1.0
CONNECT_WITHIN_S = 10.0


def _nobody(_what: What) -> None:
    """Tell nobody that something came: it waits until it is asked for."""


class Wis2Feed:
    """Notifications of one or several brokers.

    It costs nobody anything to ask it what came, so it is asked always, whatever the feeds before it do.

    Parameters
    ----------
    name
        As in the settings.
    guard
        Judges the addresses of brokers.
    http
        The way to content that is not in the message.
    budgets
        Of the hosts that links lead to.
    brokers, login
        Where to listen; the same login everywhere, None: none. What several bring is taken once.
    client_id
        By which the brokers know the session; no other client may have it.
    topics
        Filters of the WIS2 Topic Hierarchy.
    keep
        How long the brokers keep the session while nobody listens.
    clock
        The present.
    random
        Spreads the waits.
    idle
        So long after the last question nobody listens any more.

    Attributes
    ----------
    hear
        Called in the event loop when something came that should be asked for.
    """

    over_network = False

    def __init__(
        self,
        name: str,
        guard: Guard,
        http: HttpClients,
        budgets: Budgets,
        *,
        brokers: Sequence[BrokerAddress],
        login: Login | None,
        client_id: str,
        topics: Sequence[str],
        keep: timedelta,
        clock: Callable[[], datetime],
        random: Random,
        idle: timedelta,
        gather_s: float = GATHER_S,
        connect_within_s: float = CONNECT_WITHIN_S,
        stale_after: Mapping[What, timedelta] = STALE_AFTER,
    ) -> None:
        self.name = name
        self.brings: Collection[What] = _brought(topics)
        self.hear: Callable[[What], None] = _nobody
        self._clock = clock
        self._idle_s = idle.total_seconds()
        self._gather_s = gather_s
        self._connect_within_s = connect_within_s
        self._stale_after = stale_after
        self._desk = Desk()
        self._links = Links(self._desk, http, budgets, clock)
        self._told: Counter[Fate] = Counter()
        self._failures: frozenset[str] = frozenset()
        self._news, self._changed = asyncio.Event(), asyncio.Event()
        self._calling: dict[What, asyncio.TimerHandle] = {}
        self._leaving: asyncio.TimerHandle | None = None
        self._tasks: list[asyncio.Task[None]] = []
        self._left: asyncio.Future[None] | None = None
        # Whoever begins to listen while another leaves would be left with a connection that is closed behind it.
        self._one_at_a_time = asyncio.Lock()
        self._listeners = [
            Listener(
                guard,
                address,
                login=login,
                client_id=client_id,
                topics=topics,
                keep_s=int(keep.total_seconds()),
                hear=self._stir,
                clock=clock,
                random=random,
            )
            for address in brokers
        ]

    async def fetch(self, what: What, *, now: datetime, everything: bool = False) -> Fetched:  # noqa: ARG002
        """Return what came; parameters and errors are those of `Feed.fetch`.

        What was handed over before is handed over again until `on_kept` of the answer was called.
        """
        if what not in self.brings:
            raise FeedError(f"feed {self.name}, {what}: no topic is set for it")
        await self._listen()
        if (timer := self._calling.pop(what, None)) is not None:
            timer.cancel()
        reports = self._desk.hand_over(what)
        if not reports and self._since() is None:
            failures = "; ".join(item.hearing.failure for item in self._listeners)
            raise FeedError(f"feed {self.name}, {what}: {failures}")
        outcome, detail = self._outcome(what, bool(reports), now)
        fates, self._told = self._desk.fates - self._told, Counter(self._desk.fates)
        return Fetched(
            self.name,
            what,
            outcome,
            now,
            reports,
            newest_at=self._desk.newest_at.get(what),
            detail=detail,
            problems=(*self._newly_failing(), *self._desk.said()),
            state=self.state(now),
            lag_s=self._desk.lag.total_seconds() if self._desk.lag is not None else None,
            messages={fate.value: count for fate, count in fates.items()},
            on_kept=partial(self._desk.kept, what),
        )

    async def aclose(self) -> None:
        """Listen no more. What was not kept is brought again by the brokers, to whoever listens next in this name."""
        async with self._one_at_a_time:
            await self._close()

    async def _close(self) -> None:
        for timer in (self._leaving, *self._calling.values()):
            if timer is not None:
                timer.cancel()
        self._leaving, self._calling = None, {}
        if not self._tasks:
            return
        tasks, self._tasks = self._tasks, []
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await asyncio.gather(*(listener.stop() for listener in self._listeners))
        self._desk.forget_unkept()

    def state(self, now: datetime) -> str:
        """Return how it listens, for people."""
        since, desk = self._since(), self._desk
        if since is None:
            return "not connected"
        count = sum(item.hearing.since is not None for item in self._listeners)
        many = f" ({count} of {len(self._listeners)} brokers)" if len(self._listeners) > 1 else ""
        parts = [f"connected since {since:%d %b %H%MZ}{many}"]
        if desk.last_at is not None:
            parts.append(f"last message {duration_text(max(now - desk.last_at, timedelta()))} ago")
        else:
            parts.append("no message yet")
        if desk.lag is not None:
            parts.append(f"it came {max(desk.lag.total_seconds(), 0.0):.1f} s after it was published")
        dropped = desk.fates[Fate.DROPPED] + sum(item.hearing.dropped for item in self._listeners)
        lost = sum(item.hearing.sessions_lost for item in self._listeners)
        parts += [f"{dropped} dropped"] if dropped else []
        parts += [f"{len(desk.links)} links wait"] if desk.links else []
        parts += [f"a broker forgot the session {lost} times: what came meanwhile is missing"] if lost else []
        return "; ".join(parts)

    def _since(self) -> datetime | None:
        return min((item.hearing.since for item in self._listeners if item.hearing.since is not None), default=None)

    def _newly_failing(self) -> list[str]:
        """Return which brokers fail while others are heard, each failure once."""
        before = self._failures
        self._failures = frozenset(item.hearing.failure for item in self._listeners if item.hearing.failure)
        return sorted(self._failures - before)

    def _outcome(self, what: What, changed: bool, now: datetime) -> tuple[Outcome, str]:
        since, newest_at = self._since(), self._desk.newest_at.get(what)
        limit = self._stale_after[what]
        if changed:
            return Outcome.CHANGED, "new reports came"
        if since is not None and now - since > limit and (newest_at is None or now - newest_at > limit):
            told = "came since it is connected" if newest_at is None else f"came for {duration_text(now - newest_at)}"
            return Outcome.STALE, f"nothing {told}"
        return Outcome.UNCHANGED, "nothing is new"

    async def _listen(self) -> None:
        """Make sure that somebody listens; at the beginning wait until the first broker answers."""
        async with self._one_at_a_time:
            broken = next((task for task in self._tasks if task.done()), None)
            if broken is not None:
                await self._close()
                raise FeedError(f"feed {self.name}: it stopped, and begins anew ({_why(broken)})")
            if self._leaving is not None:
                self._leaving.cancel()
            self._leaving = asyncio.get_running_loop().call_later(self._idle_s, self._leave)
            if self._tasks:
                return
            for listener in self._listeners:
                listener.start()
            self._tasks = [asyncio.create_task(self._take()), asyncio.create_task(self._links.follow(self._call))]
        with suppress(TimeoutError):
            async with asyncio.timeout(self._connect_within_s):
                while self._since() is None and not all(item.hearing.tried for item in self._listeners):
                    self._changed.clear()
                    await self._changed.wait()

    def _stir(self) -> None:
        """Notice that something came, or that a connection opened or broke off."""
        self._news.set()
        self._changed.set()

    def _leave(self) -> None:
        """Listen no more: whoever asked does so no longer."""
        self._left = asyncio.ensure_future(self.aclose())

    async def _take(self) -> None:
        """Read what comes, and call whoever should ask for it."""
        while True:
            await self._news.wait()
            self._news.clear()
            letters = [letter for listener in self._listeners for letter in listener.take()]
            if letters:
                now = self._clock()
                self._desk.put(await asyncio.to_thread(_read_all, letters, now), now)
                self._links.look()
                self._call()

    def _call(self) -> None:
        for what in self.brings:
            if self._desk.waiting(what) and what not in self._calling:
                loop = asyncio.get_running_loop()
                self._calling[what] = loop.call_later(self._gather_s, self.hear, what)


def _why(task: asyncio.Task[None]) -> str:
    error = None if task.cancelled() else task.exception()
    return repr(error) if error is not None else "cancelled"


def _read_all(letters: Sequence[Letter], now: datetime) -> list[Read]:
    return [_read(letter, now) for letter in letters]


def _read(letter: Letter, now: datetime) -> Read:
    try:
        return read_letter(letter, now)
    except Exception as error:  # noqa: BLE001 - said and counted
        # The broker would bring it again and again: one message must not make the feed deaf to all others.
        return Read(letter, fate=Fate.WRONG, why=f"{shown(letter.topic)}: it could not be read ({shown(repr(error))})")


def _brought(topics: Sequence[str]) -> tuple[What, ...]:
    """Return what topics bring; one that ends in a wildcard brings both."""
    if any(topic.endswith(("#", "+")) for topic in topics):
        return ("metar", "taf")
    found = {what_of(topic) for topic in topics}
    return tuple(what for what in ("metar", "taf") if what in found)
