"""The running service: its parts put together, started, stopped in order.

Several processes may run at one store, each with the roles that it was given. One of those that may poll leads: it
asks the feeds and judges. All that may send share the outbox; all that show pages follow what the leader writes.

A reload checks the new settings and rules as a whole first; with anything wrong, the old ones stay in force.
Otherwise the parts are stopped and built again: everything that matters is in the store, so that a restart changes
nothing.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable, Collection, Mapping
from contextlib import AbstractAsyncContextManager, AsyncExitStack
from datetime import datetime, timedelta
from random import Random
from types import TracebackType
from typing import Literal, Self, TypeAlias, get_args

import structlog

from watcher.alerts.model import StationView
from watcher.clock import utc_now
from watcher.errors import NotLeader
from watcher.feeds.model import Feed, ListeningFeed, What
from watcher.net import Guard, HttpClients
from watcher.service.caretaker import build_caretaker
from watcher.service.channels import Channels
from watcher.service.cycle import Cycle
from watcher.service.destinations import checked_destinations
from watcher.service.directory import read_directory
from watcher.service.duties import COUNT_EVERY, Duties
from watcher.service.feeds import build_feeds
from watcher.service.first_answers import FirstAnswers
from watcher.service.following import Following
from watcher.service.health import HealthServer, Probes, Readiness
from watcher.service.hearing import Hearing
from watcher.service.heartbeat import Heartbeat
from watcher.service.leading import Leading
from watcher.service.learning import Learning
from watcher.service.neighbours import Neighbours
from watcher.service.nights import NightWatch
from watcher.service.people import PeopleWatch
from watcher.service.planning import load_treatments, rules_folder_of
from watcher.service.poller import Poller, question
from watcher.service.readiness import readiness, standing_still
from watcher.service.schedule import RunOutcome, Schedule
from watcher.service.sending import build_sender, links_of
from watcher.service.supervision import Supervision
from watcher.service.templates import load_templates
from watcher.service.treatment_files import load_procedures
from watcher.service.watched import build_watch, night_policy
from watcher.service.watchkeeper import Watchkeeper
from watcher.settings import Settings
from watcher.settings.habits import habits_of
from watcher.store.store import Store
from watcher.telemetry import Metrics

_log = structlog.get_logger()
_LEARN_EVERY = timedelta(hours=24)
_LEARN_FIRST = timedelta(minutes=2)
_NIGHTS_EVERY = timedelta(minutes=1)
_STAND_EVERY = timedelta(seconds=1)
_FOLLOW_EVERY = timedelta(seconds=2)

Role: TypeAlias = Literal["poller", "sender", "web"]
ROLES: tuple[Role, ...] = get_args(Role)

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
    roles
        What this process does: ask feeds and judge (as the leader, or ready to be it), send, show pages.
    """

    def __init__(
        self,
        settings: Settings,
        *,
        clock: Callable[[], datetime] = utc_now,
        random: Random | None = None,
        pages: Pages | None = None,
        roles: Collection[Role] = ROLES,
    ) -> None:
        self.settings = settings
        self.roles = frozenset(roles)
        self.after_turn: list[Callable[[], None]] = []
        self._pages = pages
        self.metrics = Metrics()
        self.clock = clock
        self._random = random or Random()  # noqa: S311 - spreads requests, guards nothing
        self.habits = habits_of(settings)
        self.watch = build_watch(settings, self.habits)
        # Read now, though only pages ask for them: what is wrong in them must not wait for the first plan.
        folder = rules_folder_of(settings)
        self.treatments = load_treatments(folder, tables=self.watch.tables)
        self.procedures = load_procedures(folder)
        self._templates = load_templates(settings)
        # What the settings alone get wrong about destinations is said now, not when the first message is due.
        checked_destinations(read_directory(settings))
        self._stack = AsyncExitStack()
        self._answers = FirstAnswers(clock)

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
        self.channels = Channels(
            self.settings, http, self._templates, past=self.store, station_of=self.watch.stations.get
        )
        stack.push_async_callback(self.channels.aclose)
        self.key = await asyncio.to_thread(self.store.link_key)
        self.sender = build_sender(self.settings, self.store, self.key, self.clock, self.metrics, self._random)
        self.learning = Learning(self.store, self.habits, self.clock, lambda: bool(self.leading))
        await self.learning.recall()
        self.cycle = cycle = Cycle(self.store, self.watch)
        self.people = PeopleWatch(self.store, self.settings, self.watch.stations, self.channels, self.sender, cycle)
        self.keeper = Watchkeeper(
            cycle,
            self.clock,
            self.metrics,
            self.sender.wake,
            self._look_at_people,
            may_call_blind=lambda: self._answers.known,
        )
        self.following = Following(self.store, self.watch, self.clock)
        self.keeper.after_turn.append(lambda _changes: self._tell_of_turn())
        self.following.after_turn.append(self._tell_of_turn)
        policy = night_policy(self.settings)
        self.nights = NightWatch(self.keeper, policy, self.clock, self.metrics)
        self.followed_nights = NightWatch(self.following, policy, self.clock, self.metrics)
        self.heartbeat = Heartbeat(
            http, text.heartbeat.url, text.heartbeat.every, clock=self.clock, metrics=self.metrics
        )
        self.caretaker = build_caretaker(self.settings, self.store, self.channels, self.watch.tables, self.sender.wake)
        feeds = build_feeds(self.settings, http, self._random, self.clock)
        listening = [feed for feed in feeds if isinstance(feed, ListeningFeed)]
        for feed in listening:
            feed.hear = self._ask_soon(feed)
            stack.push_async_callback(feed.aclose)
        self.poller = Poller(feeds, self.keeper.keep, self.clock, self.metrics, self._answers.asking)
        self.schedule = Schedule(self._heard, random=self._random)
        self.duties = Duties(
            self.settings,
            self.store,
            self.clock,
            self.metrics,
            self.keeper,
            self.poller,
            self._answers,
            self.heartbeat,
            self.schedule,
        )
        self.leading = Leading(self.store.leadership(), self._begin_to_lead, self.metrics)
        stack.push_async_callback(self.leading.resign)
        self._neighbours = Neighbours(
            self.store,
            self.leading,
            self.following,
            "web" in self.roles,
            self.people,
            self.keeper.look_at_people,
            self.sender,
            self.look_soon,
            listening,
        )
        await self._look_at_people()
        if "poller" in self.roles:
            await self.leading.look()
        await self._neighbours.follow()
        if "sender" in self.roles:
            sending = asyncio.create_task(self.sender.run())
            stack.push_async_callback(self._stop_sending, sending)
        self._plan(feeds)
        await stack.enter_async_context(self.schedule)
        await stack.enter_async_context(Hearing(self.store, self._neighbours.use_news))
        if self._pages is not None and text.web.bind is not None and "web" in self.roles:
            await stack.enter_async_context(self._pages(self))
        probes = Probes(self._alive, self.ready, self.metrics.exposition, self.metrics.content_type)
        self.health = await stack.enter_async_context(HealthServer(text.health.bind, probes))
        await stack.enter_async_context(Supervision(self._alive, os.environ))

    @property
    def views(self) -> Mapping[str, StationView]:
        """The stations as they stood after the last turn, whoever took it."""
        return self.keeper.views if self.leading else self.following.views

    def look_soon(self) -> None:
        """Take a turn now: somebody has changed something. Where another process leads, it hears of it by itself."""
        if self.leading:
            self.duties.run_soon("tick")

    def _ask_soon(self, feed: Feed) -> Callable[[What], None]:
        """Return what a feed calls when something came: whoever leads asks for it now, not when its time is over."""
        return lambda what: self.duties.run_soon(question(feed, what)) if self.leading else None

    def _tell_of_turn(self) -> None:
        for hear in self.after_turn:
            hear()

    async def _begin_to_lead(self, term: int) -> None:
        self.cycle.term = term
        await self.learning.recall()
        await self.duties.begin()

    async def _look_at_people(self) -> None:
        before = self.people.directory
        await self.people.look(self.clock())
        # A renewed key counts as a change of the people: their links are signed with it.
        if before is not None and before is not self.people.directory:
            self.key = await asyncio.to_thread(self.store.link_key)
            self.sender.sign_with(links_of(self.settings, self.key))

    async def _stop_sending(self, sending: asyncio.Task[None]) -> None:
        await self.sender.stop()
        await sending

    def _plan(self, feeds: tuple[Feed, ...]) -> None:
        every = self.schedule.every
        every("follow", _FOLLOW_EVERY, self._neighbours.follow_all, first_in=_FOLLOW_EVERY)
        if self.settings.text.night.members:
            every("nights", _NIGHTS_EVERY, self._look_at_nights, first_in=timedelta(seconds=5))
        every("habits", _LEARN_EVERY, self.learning.look, first_in=_LEARN_FIRST)
        if "poller" not in self.roles:
            return
        every("leader", _STAND_EVERY, self._neighbours.stand, first_in=_STAND_EVERY)
        self.duties.plan(feeds, self.leading.only)
        if self.settings.text.caretaker.to:
            every("caretaker", COUNT_EVERY, self._take_care, first_in=COUNT_EVERY)

    async def _look_at_nights(self) -> None:
        if self.leading:
            await self._answers.first(self.nights.look)()
        elif "web" in self.roles:
            await self.followed_nights.look()

    async def _take_care(self) -> None:
        """Tell caretakers how the service does. Whoever is about to lead has nothing to say of itself yet."""
        now, term = self.clock(), self.leading.term
        try:
            await self.caretaker.look(await self.ready(), self.people.directory, term, now)
        except NotLeader as error:
            self.leading.depose(str(error))

    def _heard(self, job: str, outcome: RunOutcome, error: BaseException | None) -> None:
        self.metrics.count("hoarline_runs", job=job, outcome=outcome)
        if outcome != "done":
            _log.warning("a scheduled run did not go well", job=job, outcome=outcome, error=str(error or ""))

    def _alive(self) -> str | None:
        """Return None while ticks come and messages go, where they should; else why to start this process again."""
        if "sender" in self.roles and not self.sender.running:
            return "no message is sent any more"
        tick = self.settings.text.watch.tick if self.leading else None
        return standing_still(self.keeper.last_turn_at or self.keeper.begun_at, tick, self.clock())

    async def ready(self) -> Readiness:
        """Return whether the service does its job, and why not."""
        text = self.settings.text
        tick = text.watch.tick if self.leading else None
        return await readiness(
            self.store, self.keeper, self.poller, self.people, tick, self.clock(), text.caretaker.late
        )
