"""The schedule: no run is skipped in silence, and stopping waits for what runs. APScheduler 3.11 behind it."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime, timedelta
from random import Random

import pytest
import time_machine

from watcher.service.schedule import Schedule

pytestmark = pytest.mark.anyio
HOUR = timedelta(hours=1)


class Heard(list):
    def __call__(self, job, outcome, error):
        self.append((job, outcome, str(error or "")))


async def until(condition) -> None:
    async with asyncio.timeout(10):
        while not condition():
            await asyncio.sleep(0.005)


async def test_a_job_runs_at_once_and_again_when_told():
    heard, runs = Heard(), []

    async def job():
        runs.append(1)

    schedule = Schedule(heard, random=Random(1))
    schedule.every("poll", HOUR, job)
    async with schedule:
        await until(lambda: runs)
        await schedule.run_now("poll")
        assert len(runs) == 2
        await until(lambda: len(heard) == 2)
    assert {outcome for _, outcome, _ in heard} == {"done"}


async def test_a_run_that_is_asked_for_as_another_ends_is_not_dropped():
    """The scheduler learns of the end of a run some rounds of the loop after the job; what it is asked for is kept."""
    heard, runs, over = Heard(), [], asyncio.Event()

    async def job():
        runs.append(1)
        over.set()

    schedule = Schedule(heard, random=Random(1))
    schedule.every("poll", HOUR, job)
    async with schedule, asyncio.timeout(5):
        await over.wait()
        await asyncio.gather(schedule.run_now("poll"), schedule.run_now("poll"))
        assert len(runs) == 2, "one run is enough for all who ask before it begins"
    assert heard == [("poll", "done", "")] * 2


async def test_a_run_that_is_asked_for_while_another_runs_comes_after_it():
    heard, began, gate = Heard(), [], asyncio.Event()

    async def job():
        began.append(gate.is_set())
        await gate.wait()

    schedule = Schedule(heard, random=Random(1))
    schedule.every("poll", HOUR, job)
    async with schedule, asyncio.timeout(5):
        await until(lambda: began)
        asked = asyncio.ensure_future(schedule.run_now("poll"))
        await asyncio.sleep(0.05)
        gate.set()
        await asked
    assert began == [False, True]
    assert heard == [("poll", "done", "")] * 2


async def test_a_run_that_fails_is_told_and_the_next_one_comes():
    heard = Heard()

    async def job():
        raise RuntimeError("the disk is full")

    schedule = Schedule(heard, random=Random(1))
    schedule.every("poll", timedelta(seconds=0.05), job)
    async with schedule:
        await until(lambda: len(heard) >= 2)
    assert heard[0] == ("poll", "failed", "the disk is full")


async def test_a_run_that_overtakes_the_one_before_is_told():
    heard, gate = Heard(), asyncio.Event()

    schedule = Schedule(heard, random=Random(1))
    schedule.every("poll", timedelta(seconds=0.05), gate.wait)
    async with schedule:
        await until(lambda: ("poll", "overlapping", "") in heard)
        gate.set()


async def test_stopping_waits_for_what_is_running():
    finished = []

    async def job():
        await asyncio.sleep(0.05)
        finished.append(1)

    schedule = Schedule(Heard(), random=Random(1))
    schedule.every("send", HOUR, job)
    async with schedule:
        await until(lambda: schedule._running)
    assert finished == [1]


async def test_stopping_does_not_wait_for_ever():
    cancelled = []

    async def job():
        try:
            await asyncio.Event().wait()
        except asyncio.CancelledError:
            cancelled.append(1)
            raise

    schedule = Schedule(Heard(), random=Random(1), drain=timedelta(seconds=0.05))
    schedule.every("send", HOUR, job)
    async with schedule:
        await until(lambda: schedule._running)
    assert cancelled == [1]


@pytest.mark.parametrize("hours", [-3, 3, 20 * 365 * 24])
async def test_a_clock_that_is_set_stops_no_job(hours):
    """The time of day is set back or ahead while a job waits for its next run in a fifth of a second.

    By three hours, as a wrong zone does; by twenty years, as a machine does that has no clock of its own.
    """
    runs, waits = [], []

    async def job():
        runs.append(1)

    async def other():
        waits.append(1)

    schedule = Schedule(Heard(), random=Random(1))
    schedule.every("poll", timedelta(seconds=0.2), job)
    schedule.every("thin", HOUR, other, first_in=HOUR / 2)
    async with schedule:
        await until(lambda: len(runs) >= 2)
        with time_machine.travel(datetime.now(UTC) + timedelta(hours=hours), tick=True):
            before = len(runs)
            await until(lambda: len(runs) >= before + 5)
            await asyncio.sleep(1)
        # Set ahead, what was to run in half an hour is due.
        assert len(waits) <= (hours > 0)
