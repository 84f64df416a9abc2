"""What the leader does again and again: asks the feeds, judges that time has passed, counts and thins what is kept."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from datetime import datetime, timedelta

import structlog

from watcher.feeds.model import Feed, What
from watcher.service.first_answers import FirstAnswers
from watcher.service.heartbeat import Heartbeat
from watcher.service.leading import Job
from watcher.service.memory import give_back
from watcher.service.poller import Poller, question
from watcher.service.readiness import unsent_since
from watcher.service.schedule import Schedule
from watcher.service.watchkeeper import Watchkeeper
from watcher.settings import Settings
from watcher.settings.model import FeedSection
from watcher.store.store import Store
from watcher.telemetry import Metrics

COUNT_EVERY = timedelta(seconds=15)
_THIN_EVERY = timedelta(hours=1)
# What a week without the service has left is gone after seven hours; a clock that is ahead costs no more than this.
_THIN_ON = timedelta(days=1)
_log = structlog.get_logger()


class Duties:
    """The rounds of whoever leads.

    Parameters
    ----------
    settings
        How often what is done.
    store, clock, metrics
        What is kept, the present, and where it is counted.
    keeper
        Takes the turns.
    poller
        Asks the feeds.
    answers
        Knows what of the feeds' first answers is still to come.
    heartbeat
        Beats when the whole chain has worked.
    schedule
        Where the rounds are planned.
    """

    def __init__(  # noqa: PLR0917 - the parts that it goes round
        self,
        settings: Settings,
        store: Store,
        clock: Callable[[], datetime],
        metrics: Metrics,
        keeper: Watchkeeper,
        poller: Poller,
        answers: FirstAnswers,
        heartbeat: Heartbeat,
        schedule: Schedule,
    ) -> None:
        self._settings = settings
        self._store = store
        self._clock = clock
        self._metrics = metrics
        self._keeper = keeper
        self._poller = poller
        self._answers = answers
        self._heartbeat = heartbeat
        self._schedule = schedule
        self._expired = 0
        self._metars_every: dict[str, timedelta] = {}
        self._soon: set[asyncio.Future[None]] = set()
        self.polls: list[str] = []

    def plan(self, feeds: Sequence[Feed], only: Callable[[Job], Job]) -> None:
        """Plan the rounds; `only` lets a job be done by nobody but the leader."""
        text, every = self._settings.text, self._schedule.every
        for feed, section in zip(feeds, text.feed, strict=True):
            for what in feed.brings:
                name, interval, poll = question(feed, what), _interval(section, what), self._poll(feed, what)
                self.polls.append(name)
                if what == "metar":
                    self._metars_every[name] = interval
                every(name, interval, only(poll if what == "metar" else self._answers.first(poll)))
        self._answers.begin(self._metars_every)
        every("tick", text.watch.tick, only(self._tick), first_in=timedelta(seconds=1))
        every("thin", _THIN_EVERY, only(self.thin), first_in=_THIN_EVERY)
        every("outbox", COUNT_EVERY, only(self._count_outbox), first_in=COUNT_EVERY)

    async def begin(self) -> None:
        """Take over. The feeds are asked at once, not when their interval is over: reports may have waited."""
        self._answers.begin(self._metars_every)
        await self._keeper.begin()
        for job in self.polls:
            self.run_soon(job)

    def run_soon(self, job: str) -> None:
        """Let a planned job run now."""
        running = asyncio.ensure_future(self._schedule.run_now(job))
        self._soon.add(running)
        running.add_done_callback(self._soon.discard)

    async def thin(self) -> None:
        """Remove what is older than what the settings keep."""
        before = self._clock() - self._settings.text.watch.keep
        thinned = await asyncio.to_thread(self._store.thin, before, _THIN_ON)
        _log.info("old reports removed", reports=thinned.reports)
        # What runs out from now on is counted from nothing.
        self._expired = 0
        await asyncio.to_thread(give_back)

    async def _tick(self) -> None:
        """Judge that time has passed. Where this process or its machine stood still, the feeds are asked before."""
        if self._answers.begin_again():
            for job in self._metars_every:
                self.run_soon(job)
        await self._answers.first(self._keeper.tick)()

    def _poll(self, feed: Feed, what: What) -> Callable[[], Awaitable[None]]:
        async def poll() -> None:
            kept = await self._poller.poll(feed, what)
            # Asked, judged and committed, and somebody sends what came of it: the whole chain, or silence.
            if kept and what == "metar" and await self._is_sent():
                await self._heartbeat.beat()

        return poll

    async def _is_sent(self) -> bool:
        late = self._settings.text.caretaker.late
        return await asyncio.to_thread(unsent_since, self._store, self._clock(), late) is None

    async def _count_outbox(self) -> None:
        counts = await asyncio.to_thread(self._store.outbox_counts)
        for state, count in counts.items():
            self._metrics.set("hoarline_outbox", count, state=str(state))
        # What ran out reached nobody: whoever was to be told of what still stands open is told again.
        if counts["expired"] > self._expired:
            await self._keeper.remember_told()
        self._expired = counts["expired"]


def _interval(section: FeedSection, what: What) -> timedelta:
    return section.metar_every if what == "metar" else section.taf_every
