"""When things run: APScheduler, set so that a run is late rather than skipped, and never silent about it.

The library drops a run that is a second late unless told otherwise, and cancels running coroutines when it shuts down.
Here every run is made (`misfire_grace_time=None`), late ones are joined (`coalesce`), what was missed, failed or
overtaken is told to a listener, and stopping waits for what is running.

It also plans by the time of day: set back by hours, nothing would run until the hour is where it was; set ahead by
years, as on a machine that has no clock of its own, it would count every run that was missed. So the time of day is
watched, and what was missed counts once.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime, timedelta
from random import Random
from typing import Literal, Self

import structlog
from apscheduler.events import (
    EVENT_JOB_ERROR,
    EVENT_JOB_EXECUTED,
    EVENT_JOB_MAX_INSTANCES,
    EVENT_JOB_MISSED,
    EVENT_JOB_SUBMITTED,
    JobEvent,
    JobExecutionEvent,
)
from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.interval import IntervalTrigger

RunOutcome = Literal["done", "failed", "missed", "overlapping"]
Listener = Callable[[str, RunOutcome, BaseException | None], None]
Job = Callable[[], Awaitable[None]]
_log = structlog.get_logger()
_LOOK_AT_CLOCK_EVERY_S = 0.5
# A clock that is drawn to the right time bit by bit is off by less in half a second.
_JUMP = timedelta(seconds=1)

_OUTCOMES: dict[int, RunOutcome] = {
    EVENT_JOB_EXECUTED: "done",
    EVENT_JOB_ERROR: "failed",
    EVENT_JOB_MISSED: "missed",
    EVENT_JOB_MAX_INSTANCES: "overlapping",
}


class Schedule:
    """Named jobs at intervals. Use as an async context manager; leaving it waits for running jobs.

    Parameters
    ----------
    listener
        Told of every run and how it went.
    random
        Spreads first runs and intervals, so that many watchers do not ask a feed in the same second.
    drain
        The longest wait for running jobs at the end; what runs longer is cancelled.
    """

    def __init__(self, listener: Listener, *, random: Random, drain: timedelta = timedelta(seconds=20)) -> None:
        self._listener = listener
        self._random = random
        self._drain = drain
        self._running: set[asyncio.Task[None]] = set()
        self._runs: dict[str, _Runs] = {}
        self._scheduler = AsyncIOScheduler(
            timezone=UTC, job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1}
        )
        self._scheduler.add_listener(self._heard, EVENT_JOB_SUBMITTED | sum(_OUTCOMES))
        # The listener tells it; the library's own lines would tell it a second time in another form.
        logging.getLogger("apscheduler").setLevel(logging.CRITICAL)

    def every(self, name: str, interval: timedelta, job: Job, *, first_in: timedelta = timedelta(0)) -> None:
        """Run a job at once (or `first_in`), then at each interval with up to a tenth of jitter."""
        self._runs[name] = _Runs()

        async def run() -> None:
            task = asyncio.ensure_future(_as_coroutine(job))
            self._running.add(task)
            try:
                await asyncio.shield(task)
            finally:
                task.add_done_callback(self._running.discard)

        self._scheduler.add_job(
            run,
            _Every(seconds=interval.total_seconds(), jitter=interval.total_seconds() / 10 or None, timezone=UTC),
            id=name,
            next_run_time=datetime.now(UTC) + first_in,
        )

    async def run_now(self, name: str) -> None:
        """Bring a job's next run forward to now, and wait until it is over; one that is running is waited for first."""
        runs = self._runs[name]
        wanted = runs.begun + 1
        while runs.over < wanted:
            # What is brought forward while a run is not over would be dropped, and its next one an interval away.
            if runs.begun == runs.over:
                self._scheduler.modify_job(name, next_run_time=datetime.now(UTC))
            await runs.changed()

    async def __aenter__(self) -> Self:
        self._scheduler.start()
        self._watching = asyncio.create_task(self._watch_the_clock())
        return self

    async def __aexit__(self, *_: object) -> None:
        self._watching.cancel()
        await asyncio.gather(self._watching, return_exceptions=True)
        self._scheduler.pause()
        if self._running:
            await asyncio.wait(self._running, timeout=self._drain.total_seconds())
        self._scheduler.shutdown(wait=False)
        for task in self._running:
            task.cancel()
        await asyncio.gather(*self._running, return_exceptions=True)

    async def _watch_the_clock(self) -> None:
        """Where the time of day is set back, plan anew: what was to run in a minute still does."""
        before = _ahead()
        while True:
            await asyncio.sleep(_LOOK_AT_CLOCK_EVERY_S)
            ahead = _ahead()
            jump, before = ahead - before, ahead
            if jump > -_JUMP:
                continue
            _log.warning("the clock of this machine was set back", by_s=-round(jump.total_seconds(), 1))
            now = datetime.now(UTC)
            for job in self._scheduler.get_jobs():
                job.modify(next_run_time=max(job.next_run_time + jump, now))

    def _heard(self, event: JobEvent) -> None:
        if event.code == EVENT_JOB_SUBMITTED:
            self._runs[event.job_id].begins()
            return
        if event.code != EVENT_JOB_MAX_INSTANCES:
            self._runs[event.job_id].ends()
        error = event.exception if isinstance(event, JobExecutionEvent) else None
        self._listener(event.job_id, _OUTCOMES[event.code], error)


class _Runs:
    """The runs of one job as the scheduler counts them, one at a time: it learns of an end later than the job does."""

    def __init__(self) -> None:
        self.begun = 0
        self.over = 0
        self._changed = asyncio.Event()

    def begins(self) -> None:
        self.begun += 1

    def ends(self) -> None:
        self.over += 1
        self._changed.set()
        self._changed = asyncio.Event()

    async def changed(self) -> None:
        """Wait until a run is over."""
        await self._changed.wait()


class _Every(IntervalTrigger):  # type: ignore[misc]
    """An interval, of which one that is over begins anew now."""

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime:
        """Return when to run after a run, which is never in the past."""
        following: datetime = super().get_next_fire_time(previous_fire_time, now)
        return following if following > now else super().get_next_fire_time(now, now)


def _ahead() -> timedelta:
    """Return how far the time of day is ahead of the clock that nobody sets."""
    return timedelta(seconds=time.time() - time.monotonic())


async def _as_coroutine(job: Job) -> None:
    await job()
