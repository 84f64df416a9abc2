"""When things run: APScheduler, set so that a run is late rather than skipped, and never silent about it.

The library drops a run that is a second late unless told otherwise, and cancels running coroutines when it shuts down.
Here every run is made (`misfire_grace_time=None`), late ones are joined (`coalesce`), what was missed, failed or
overtaken is told to a listener, and stopping waits for what is running.

It also plans by the time of day: set back by hours, nothing would run until the hour is where it was. So the time of
day is watched, and where it jumps the plan goes with it.
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
    JobEvent,
    JobExecutionEvent,
)
from apscheduler.schedulers.asyncio import AsyncIOScheduler

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
        self._current: dict[str, asyncio.Task[None]] = {}
        self._done: dict[str, asyncio.Event] = {}
        self._scheduler = AsyncIOScheduler(
            timezone=UTC, job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1}
        )
        self._scheduler.add_listener(self._heard, sum(_OUTCOMES))
        # The listener tells it; the library's own lines would tell it a second time in another form.
        logging.getLogger("apscheduler").setLevel(logging.CRITICAL)

    def every(self, name: str, interval: timedelta, job: Job, *, first_in: timedelta = timedelta(0)) -> None:
        """Run a job at once (or `first_in`), then at each interval with up to a tenth of jitter."""
        self._done[name] = asyncio.Event()

        async def run() -> None:
            task = asyncio.ensure_future(_as_coroutine(job))
            self._running.add(task)
            self._current[name] = task
            try:
                await asyncio.shield(task)
            finally:
                task.add_done_callback(self._running.discard)
                self._done[name].set()

        self._scheduler.add_job(
            run,
            "interval",
            seconds=interval.total_seconds(),
            jitter=interval.total_seconds() / 10 or None,
            id=name,
            next_run_time=datetime.now(UTC) + first_in,
        )

    async def run_now(self, name: str) -> None:
        """Bring a job's next run forward to now, and wait until it is over; one that is running is waited for first."""
        running = self._current.get(name)
        if running is not None and not running.done():
            await asyncio.wait([running])
            # The scheduler learns of the end in a later round of the loop.
            await asyncio.sleep(0.01)
        self._done[name].clear()
        self._scheduler.modify_job(name, next_run_time=datetime.now(UTC))
        await self._done[name].wait()

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
        before = _ahead()
        while True:
            await asyncio.sleep(_LOOK_AT_CLOCK_EVERY_S)
            now = _ahead()
            jump, before = now - before, now
            if abs(jump) >= _JUMP:
                _log.warning("the clock of this machine was set", by_s=round(jump.total_seconds(), 1))
                self._move_by(jump)

    def _move_by(self, jump: timedelta) -> None:
        """Move the plan by as much as the time of day has jumped: what was to run in a minute still runs in a minute.

        Set ahead, the library may have been faster: what it has run by now is planned by the new time already, and due
        at most by moments.
        """
        now = datetime.now(UTC)
        for job in self._scheduler.get_jobs():
            if jump < timedelta(0) or job.next_run_time < now - jump / 2:
                job.modify(next_run_time=max(job.next_run_time + jump, now))

    def _heard(self, event: JobEvent) -> None:
        error = event.exception if isinstance(event, JobExecutionEvent) else None
        self._listener(event.job_id, _OUTCOMES[event.code], error)


def _ahead() -> timedelta:
    """Return how far the time of day is ahead of the clock that nobody sets."""
    return timedelta(seconds=time.time() - time.monotonic())


async def _as_coroutine(job: Job) -> None:
    await job()
