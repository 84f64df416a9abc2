"""The running service: its parts put together, started, stopped in order.

A reload checks the new settings and rules as a whole first; with anything wrong, the old ones stay in force.
Otherwise the parts are stopped and built again: everything that matters is in the store, so that a restart changes
nothing.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from contextlib import AbstractAsyncContextManager, AsyncExitStack
from datetime import datetime, timedelta
from random import Random
from types import TracebackType
from typing import Self, TypeAlias

import structlog

from watcher.clock import utc_now
from watcher.feeds.model import Feed, What
from watcher.links import LinkMaker
from watcher.net import Guard, HttpClients
from watcher.notify.sender import Sender
from watcher.service.cycle import Cycle
from watcher.service.directory import read_directory
from watcher.service.health import HealthServer, Probes, Readiness
from watcher.service.heartbeat import Heartbeat
from watcher.service.nights import NightWatch
from watcher.service.parts import (
    Channels,
    build_feeds,
    build_watch,
    checked_destinations,
    load_templates,
    night_policy,
)
from watcher.service.people import PeopleWatch
from watcher.service.planning import load_treatments, rules_folder_of
from watcher.service.poller import Poller
from watcher.service.readiness import readiness
from watcher.service.schedule import RunOutcome, Schedule
from watcher.service.treatment_files import load_procedures
from watcher.service.watchkeeper import Watchkeeper
from watcher.settings import Settings
from watcher.settings.model import FeedSection
from watcher.store.store import Store
from watcher.telemetry import Metrics

_log = structlog.get_logger()
_THIN_EVERY = timedelta(hours=1)
_NIGHTS_EVERY = timedelta(minutes=1)
_COUNT_EVERY = timedelta(seconds=15)

# Opens what people and programs reach over HTTP, around a service that has started.
Pages: TypeAlias = "Callable[[Service], AbstractAsyncContextManager[object]]"


class Service:
    """Everything that `hoarline run` runs. Use as an async context manager.

    Parameters
    ----------
    settings
        Checked settings.
    clock
        The present; the demo hands in its own.
    random
        Spreads requests and retries.
    pages
        Opens the board and the API where the settings want them; None: there are none.
    """

    def __init__(
        self,
        settings: Settings,
        *,
        clock: Callable[[], datetime] = utc_now,
        random: Random | None = None,
        pages: Pages | None = None,
    ) -> None:
        self.settings = settings
        self._pages = pages
        self.metrics = Metrics()
        self.clock = clock
        self._random = random or Random()  # noqa: S311 - spreads requests, guards nothing
        self.watch = build_watch(settings)
        # Read now, though only pages ask for them: what is wrong in them must not wait for the first plan.
        folder = rules_folder_of(settings)
        self.treatments = load_treatments(folder, tables=self.watch.tables)
        self.procedures = load_procedures(folder)
        self._templates = load_templates(settings)
        # What the settings alone get wrong about destinations is said now, not when the first message is due.
        checked_destinations(read_directory(settings))
        self._stack = AsyncExitStack()
        self._looking: set[asyncio.Future[None]] = set()
        self._expired = 0

    async def __aenter__(self) -> Self:
        async with AsyncExitStack() as stack:
            await self._start(stack)
            self._stack = stack.pop_all()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self._stack.aclose()

    async def _start(self, stack: AsyncExitStack) -> None:
        text = self.settings.text
        self.store = await asyncio.to_thread(Store.open, text.store.url)
        stack.callback(self.store.close)
        guard = Guard(text.network.allow_private)
        http = await stack.enter_async_context(HttpClients(guard, contact=text.service.contact))
        self.channels = Channels(self.settings, http, self._templates)
        stack.push_async_callback(self.channels.aclose)
        self.key = await asyncio.to_thread(self.store.link_key)
        self.sender = Sender(
            self.store,
            {},
            clock=self.clock,
            public_url=text.service.public_url,
            links=self._links(self.key),
            observer=_Deliveries(self.metrics),
            random=self._random,
        )
        cycle = Cycle(self.store, self.watch)
        self.people = PeopleWatch(self.store, self.settings, self.watch.stations, self.channels, self.sender, cycle)
        self.keeper = Watchkeeper(cycle, self.clock, self.metrics, self.sender.wake, self._look_at_people)
        self.nights = NightWatch(self.keeper, night_policy(self.settings), self.clock, self.metrics)
        self.heartbeat = Heartbeat(
            http, text.heartbeat.url, text.heartbeat.every, clock=self.clock, metrics=self.metrics
        )
        feeds = build_feeds(self.settings, http, self._random)
        self.poller = Poller(feeds, self.keeper.keep, self.clock, self.metrics)
        await self.keeper.begin()
        sending = asyncio.create_task(self.sender.run())
        stack.push_async_callback(self._stop_sending, sending)
        self.schedule = Schedule(self._heard, random=self._random)
        self._plan(feeds)
        await stack.enter_async_context(self.schedule)
        if self._pages is not None and text.web.bind is not None:
            await stack.enter_async_context(self._pages(self))
        probes = Probes(self._alive, self.ready, self.metrics.exposition, self.metrics.content_type)
        self.health = await stack.enter_async_context(HealthServer(text.health.bind, probes))

    def _links(self, key: bytes) -> LinkMaker | None:
        """Return what makes links, where there are pages that answer them and people can reach them."""
        text = self.settings.text
        return LinkMaker(text.service.public_url, key) if text.web.bind and text.service.public_url else None

    def look_soon(self) -> None:
        """Take a turn now: somebody has changed something."""
        looking = asyncio.ensure_future(self.schedule.run_now("tick"))
        self._looking.add(looking)
        looking.add_done_callback(self._looking.discard)

    async def _look_at_people(self) -> None:
        await self.people.look(self.clock())

    async def _stop_sending(self, sending: asyncio.Task[None]) -> None:
        await self.sender.stop()
        await sending

    def _plan(self, feeds: tuple[Feed, ...]) -> None:
        for feed, section in zip(feeds, self.settings.text.feed, strict=True):
            for what in feed.brings:
                self.schedule.every(f"{what} {feed.name}", _interval(section, what), self._poll(feed, what))
        self.schedule.every("tick", self.settings.text.watch.tick, self.keeper.tick, first_in=timedelta(seconds=1))
        if self.settings.text.night.members:
            self.schedule.every("nights", _NIGHTS_EVERY, self.nights.look, first_in=timedelta(seconds=5))
        self.schedule.every("thin", _THIN_EVERY, self._thin, first_in=_THIN_EVERY)
        self.schedule.every("outbox", _COUNT_EVERY, self._count_outbox, first_in=_COUNT_EVERY)

    def _poll(self, feed: Feed, what: What) -> Callable[[], Awaitable[None]]:
        async def poll() -> None:
            if await self.poller.poll(feed, what) and what == "metar":
                await self.heartbeat.beat()

        return poll

    async def _thin(self) -> None:
        thinned = await asyncio.to_thread(self.store.thin, self.clock() - self.settings.text.watch.keep)
        _log.info("old reports removed", reports=thinned.reports)

    async def _count_outbox(self) -> None:
        counts = await asyncio.to_thread(self.store.outbox_counts)
        for state, count in counts.items():
            self.metrics.set("hoarline_outbox", count, state=str(state))
        # What ran out reached nobody: whoever was to be told of what still stands open is told again.
        if counts["expired"] > self._expired:
            await self.keeper.remember_told()
        self._expired = counts["expired"]

    def _heard(self, job: str, outcome: RunOutcome, error: BaseException | None) -> None:
        self.metrics.count("hoarline_runs", job=job, outcome=outcome)
        if outcome != "done":
            _log.warning("a scheduled run did not go well", job=job, outcome=outcome, error=str(error or ""))

    def _alive(self) -> str | None:
        """Return None while ticks come; a loop that stands still would not answer at all."""
        last, now = self.keeper.last_turn_at, self.clock()
        limit = max(self.settings.text.watch.tick * 10, timedelta(minutes=5))
        if last is not None and now - last > limit:
            return f"no turn has been committed since {last:%H%MZ}"
        return None

    async def ready(self) -> Readiness:
        """Return whether the service does its job, and why not."""
        return await readiness(
            self.store, self.keeper, self.poller, self.people, self.settings.text.watch.tick, self.clock()
        )


class _Deliveries:
    """Counts what the sender tells."""

    def __init__(self, metrics: Metrics) -> None:
        self._metrics = metrics

    def delivered(self, channel: str, outcome: str, seconds: float) -> None:
        """Count one attempt."""
        self._metrics.count("hoarline_deliveries", channel=channel, outcome=outcome)
        self._metrics.observe("hoarline_delivery_seconds", seconds, channel=channel)


def _interval(section: FeedSection, what: What) -> timedelta:
    return section.metar_every if what == "metar" else section.taf_every
