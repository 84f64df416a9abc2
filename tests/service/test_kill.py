"""The service killed with SIGKILL again and again, in the middle of turns and of sending: nothing lost, nothing invented."""

from __future__ import annotations

import asyncio
import os
import random
import signal
import sys
import time
from collections import defaultdict
from datetime import timedelta

import pytest

from tests.chosen import database_at
from tests.service.night_watch import surroundings
from watcher.clock import utc_now
from watcher.store.store import Store

pytestmark = [pytest.mark.anyio, pytest.mark.slow, pytest.mark.timeout(300)]

STATIONS = [f"XK{letter}{digit}" for letter in "AB" for digit in range(10)]
KILLS = 8
JUST_NOW = timedelta(minutes=12)


async def started(settings) -> asyncio.subprocess.Process:
    return await asyncio.create_subprocess_exec(
        sys.executable, "-m", "watcher.cli", "run", "--config", str(settings),
        stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.DEVNULL,
        env={**os.environ, "HOARLINE_WATCH__STALE_AFTER": "4h"},
    )  # fmt: skip


def reports(minutes_ago: int, weather: str) -> list[str]:
    observed = utc_now() - timedelta(minutes=minutes_ago)
    temps = "M02/M03" if weather else "06/M02"
    return [
        f"{code} {observed:%d%H%M}Z 00000KT 3000 {weather} OVC006 {temps} Q1010".replace("  ", " ") for code in STATIONS
    ]


async def leads(store: Store, *, after: int) -> float:
    """Wait until a process leads that was started after that term, and return how many seconds it took."""
    began = time.monotonic()
    async with asyncio.timeout(100):
        while store.term() <= after:
            await asyncio.sleep(0.05)
    return time.monotonic() - began


async def test_sigkill_at_any_time_loses_nothing_and_sends_again_only_under_the_same_id(tmp_path):
    dice = random.Random(20260112)
    async with surroundings(tmp_path, STATIONS) as around:
        store = Store.open(database_at(tmp_path / "hoarline.db"))
        try:
            process = await started(around.settings)
            # How long a start takes is the machine's business; most are killed when they have begun to work.
            begins_s = await leads(store, after=0)
            steps = [(110, "-FZDZ"), (80, "FZDZ"), (50, ""), (15, ""), (5, "-FZDZ")]
            for index in range(KILLS):
                around.publish(reports(*steps[min(index * len(steps) // KILLS, len(steps) - 1)]), utc_now())
                await asyncio.sleep(dice.uniform(0.4, begins_s + 1.5))
                process.send_signal(signal.SIGKILL)
                await process.wait()
                term = store.term()
                process = await started(around.settings)
            await leads(store, after=term)
            async with asyncio.timeout(100):
                while store.blind_stations() or len(store.observations_of(STATIONS, utc_now() - JUST_NOW)) < len(
                    STATIONS
                ):
                    await asyncio.sleep(0.2)
            # A killed sender's messages wait for their lease (two minutes) before they go again.
            async with asyncio.timeout(200):
                while (counts := store.outbox_counts())["pending"] or counts["leased"]:
                    await asyncio.sleep(0.5)
            process.terminate()
            assert await process.wait() == 0
            check(store, around)
        finally:
            store.close()


def check(store: Store, around) -> None:
    events = [event for _, event in store.events_after(0, 10_000)]
    stories = defaultdict(list)
    for event in events:
        stories[event.subject_id].append(event)
    for story in stories.values():
        assert [event.seq for event in story] == list(range(1, len(story) + 1)), "no event is lost or doubled"
    opened = [
        event for event in events if event.type.value.endswith("opened") and event.body.flag == "freezing-precipitation"
    ]
    assert {event.body.station for event in opened} == set(STATIONS)
    deliveries = store.deliveries(10_000)
    assert {str(item.state) for item in deliveries} == {"sent"}
    owed = {item.id for item in deliveries if item.destination == "room"}
    assert {post.id for post in around.webhook.posts} == owed, "everything owed arrived, nothing else did"
    assert all(post.verified for post in around.webhook.posts)
    told = {(post.payload["data"]["event"], post.id) for post in around.webhook.posts}
    assert len(told) == len(owed), "one event never goes out under two ids"
