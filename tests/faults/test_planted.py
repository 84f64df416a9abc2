"""What counts the faults finds one that is planted in running processes: a leader that judges time before it asks.

`tests/faults/test_recorder.py` plants every kind in what was written down; here the way there is tried as well.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.faults.by_hand import until
from tests.faults.kills import STATIONS, Crew, HeardRequests, all_is_sent, weather_goes_on
from tests.faults.recorder import Recorder, findings, kept_at
from tests.faults.served import FastClock
from tests.service.night_watch import surroundings
from watcher.feeds.bulk import BulkFeed
from watcher.service.first_answers import FirstAnswers

pytestmark = [pytest.mark.anyio, pytest.mark.slow, pytest.mark.timeout(300)]
SPEED = 600
# Stations are called blind 85 minutes after their last report, until their cadence is known.
LEAD_S, NOBODY_S, LEAD_AGAIN_S = (minutes * 60 / SPEED for minutes in (40, 100, 40))


def asks_slowly() -> None:
    """Let every question wait for a second."""
    fetch = BulkFeed.fetch

    async def slowly(feed: BulkFeed, what: Any, **asked: Any) -> Any:
        await asyncio.sleep(1)
        return await fetch(feed, what, **asked)

    BulkFeed.fetch = slowly  # type: ignore[method-assign]


def judges_before_it_asks() -> None:
    """Let nobody wait for what the feeds have to say."""
    asks_slowly()
    FirstAnswers.first = lambda _self, job: job  # type: ignore[method-assign]
    FirstAnswers.known = property(lambda _self: True)  # type: ignore[assignment, method-assign]


async def outage(folder: Path, url: str, spoilt: Callable[[], None]) -> list[str]:
    """Let nobody run for more than an hour while reports come, and return what is found."""
    clock = FastClock(time.time(), SPEED)
    recorder = Recorder(clock)
    async with surroundings(folder, STATIONS, clock=clock) as around:
        recorder.listen(around.mail, around.webhook)
        around.feed.requests = HeardRequests(recorder)
        weather = asyncio.create_task(weather_goes_on(around, recorder, clock, seed=1))
        crew = Crew(around.settings, url, "sqlite", clock, folder / "log", spoilt)
        try:
            for leads_s, nobody_s in ((LEAD_S, NOBODY_S), (LEAD_AGAIN_S, 0)):
                questions = len(recorder.asked)
                crew.begin()
                await until(lambda before=questions: len(recorder.asked) > before)  # type: ignore[misc]
                await asyncio.sleep(leads_s)
                if nobody_s:
                    await crew.end()
                await asyncio.sleep(nobody_s)
            weather.cancel()
            await all_is_sent(url)
        finally:
            weather.cancel()
            await crew.end()
    return findings(kept_at(url), recorder)


async def test_who_asks_before_judging_calls_nobody_blind(sqlite: str, tmp_path: Path) -> None:
    assert await outage(tmp_path, sqlite, asks_slowly) == []


async def test_who_judges_before_asking_is_found(sqlite: str, tmp_path: Path) -> None:
    found = await outage(tmp_path, sqlite, judges_before_it_asks)
    assert sum("blind, and" in line for line in found) >= len(STATIONS) / 3
