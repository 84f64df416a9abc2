"""The machine's clock set wrong and right again: nothing opens, ends or is invented, and nothing waits for hours."""

from __future__ import annotations

import asyncio
from datetime import timedelta
from pathlib import Path
from random import Random

import pytest
import time_machine

from tests.faults.by_hand import Morning, morning, until
from tests.faults.recorder import kept_at
from tests.faults.weather import metar
from tests.service.night_watch import surroundings
from watcher.clock import utc_now
from watcher.service.service import Service
from watcher.settings import load_settings

pytestmark = [pytest.mark.anyio, pytest.mark.timeout(60)]

STATIONS = ["XNOR", "XBAY", "XFEL"]
ICY = {"XNOR": "FZRA", "XBAY": "-FZDZ", "XFEL": "BR"}
MILD = dict.fromkeys(STATIONS, "BR")
VALID_FOR = timedelta(hours=12)


async def reports(at: Morning, weather: dict[str, str], times: int, wrong_by: timedelta = timedelta()) -> None:
    """Let reports come every ten minutes of the world's time, while the machine's clock is wrong by so much."""
    for _ in range(times):
        at.clock.now += timedelta(minutes=10)
        at.offer(weather)
        at.clock.now += wrong_by
        await at.turn()
        at.clock.now -= wrong_by


@pytest.mark.parametrize("hours", [3, -2])
async def test_a_clock_that_jumps_and_comes_back_ends_and_invents_nothing(
    sqlite: str, tmp_path: Path, hours: int
) -> None:
    async with morning(sqlite, tmp_path, STATIONS) as at:
        await reports(at, ICY, 5)
        before = at.kinds()
        assert sorted(kind[:4] + kind[-7:] for kind in before) == ["XBAY opened", "XNOR opened"]
        await reports(at, ICY, 4, timedelta(hours=hours))
        wrong = at.kinds()[len(before) :]
        # Three hours ahead, every report looks three hours old: all it can say is that it does not see.
        assert sorted(wrong) == ([f"{code} blind" for code in sorted(STATIONS)] if hours > 0 else [])
        await reports(at, ICY, 3)
        right = at.kinds()[len(before) + len(wrong) :]
        assert sorted(right) == ([f"{code} seeing" for code in sorted(STATIONS)] if hours > 0 else [])
        await reports(at, MILD, 8)
        await at.all_is_sent()
        assert sum(kind.endswith("closed") for kind in at.kinds()) == 2
        assert at.findings() == []
        lines = kept_at(at.url).lines
        assert {line["valid_until"] - line["made_at"] for line in lines} == {VALID_FOR}


async def test_a_feed_that_failed_while_the_clock_was_ahead_is_asked_again_at_once(sqlite: str, tmp_path: Path) -> None:
    async with morning(sqlite, tmp_path, STATIONS) as at:
        await reports(at, ICY, 5)
        at.around.feed.fault = "busy"
        await at.turn(180)
        assert at.service.poller.health["metar"]["world"].consecutive_failures == 1
        at.around.feed.fault = None
        at.clock.now -= timedelta(hours=3)
        await reports(at, ICY, 1)
        assert at.service.poller.health["metar"]["world"].consecutive_failures == 0
        await at.all_is_sent()
        assert at.findings() == []


async def test_a_receiver_that_failed_while_the_clock_was_ahead_hears_of_what_is_new(
    sqlite: str, tmp_path: Path
) -> None:
    async with morning(sqlite, tmp_path, STATIONS) as at:
        await reports(at, MILD, 5)
        at.around.webhook.status = 500
        at.clock.now += timedelta(hours=3)
        await at.turn()
        await until(lambda: at.around.webhook.posts)
        await until(lambda: any(line["last_error"] for line in kept_at(at.url).lines))
        at.around.webhook.status = 200
        at.clock.now -= timedelta(hours=3)
        await reports(at, ICY, 1)
        at.service.sender.wake()
        await asyncio.sleep(0)
        told = "icing.episode.opened"
        await until(lambda: sum(item.taken and item.told_as == told for item in at.recorder.arrivals) == 2, 10)
        # What failed would have been tried again three hours from now.
        await until(lambda: all(line["state"] == "sent" for line in kept_at(at.url).lines), 10)


@pytest.mark.parametrize("hours", [-3, 3])
async def test_a_service_whose_machine_is_set_right_goes_on_at_once(url: str, tmp_path: Path, hours: int) -> None:
    """All of it by the machine's own clock: it asks, judges and sends within seconds, not when the hour is back."""
    async with surroundings(tmp_path, STATIONS, every="2s") as around:
        world = utc_now() + timedelta(hours=hours)
        around.publish([metar(code, world, "BR") for code in STATIONS], world)
        settings = load_settings(around.settings, {"HOARLINE_STORE__URL": url})
        async with Service(settings, random=Random(1)) as service:
            await until(lambda: service.keeper.last_turn_at is not None)
            with time_machine.travel(utc_now() + timedelta(hours=hours), tick=True):
                around.publish([metar("XNOR", utc_now() + timedelta(minutes=1), "FZRA")], utc_now())
                told = "icing.episode.opened"
                await until(lambda: any(post.payload["type"] == told for post in around.webhook.posts), 20)
