"""Hours of a simulated winter in minutes: feeds fail, receivers fail, the service is restarted; everything is counted.

python -m tests.faults.winter --hours 24 [--stations 50] [--seed 1] [--store URL]
"""

from __future__ import annotations

import argparse
import asyncio
import json
import logging
import sys
import tempfile
import time
from collections.abc import Sequence
from contextlib import AsyncExitStack
from datetime import timedelta
from pathlib import Path
from random import Random
from typing import Any

import psutil

from tests.faults.by_hand import HandClock, Morning, first_questions
from tests.faults.recorder import Recorder, kept_at
from tests.faults.weather import codes, skies
from tests.service.night_watch import surroundings
from watcher.demo.feed_files import MetarRow
from watcher.service.service import Service
from watcher.settings import load_settings
from watcher.telemetry import set_up_logs

STEP = timedelta(minutes=10)
FEED_FAULTS = ("outage", "page", "half", "broken-off", "empty", "yesterday", "busy")
# Chances in each step.
FEED_FAILS, RECEIVER_FAILS, RESTARTS = 0.1, 0.1, 0.03


async def run(hours: float, count: int, seed: int, url: str, folder: Path) -> dict[str, Any]:
    """Let so many hours pass, and count."""
    dice, clock, stations = Random(seed), HandClock(), list(codes(count))
    sky, steps, began = skies(stations, seed), int(hours * 6), time.monotonic()
    done: dict[str, Any] = {"feed faults": 0, "receiver faults": 0, "restarts": 0}
    memory = {}
    async with surroundings(folder, stations, every="1h", clock=clock) as around:
        recorder = Recorder(clock)
        recorder.listen(around.mail, around.webhook)
        settings = load_settings(around.settings, {"HOARLINE_STORE__URL": url})
        rows: dict[str, MetarRow] = {}
        stack = AsyncExitStack()
        at = Morning(url, clock, around, recorder, await _started(stack, settings, clock), rows)
        for step in range(steps):
            clock.now += STEP
            around.feed.fault = dice.choice(FEED_FAULTS) if dice.random() < FEED_FAILS else None  # type: ignore[assignment]
            around.webhook.status = 500 if dice.random() < RECEIVER_FAILS else 200
            around.mail.answer = "451 4.3.0 later" if dice.random() < RECEIVER_FAILS else None
            done["feed faults"] += around.feed.fault is not None
            done["receiver faults"] += (around.webhook.status != 200) + (around.mail.answer is not None)
            for station in stations[step % 2 :: 2]:
                text = sky[station].next_report(clock.now)
                if text is not None:
                    rows[station] = MetarRow.of(text, clock.now)
                    at.hidden.append((station, rows[station].observed_at, text))
            around.feed.publish(list(rows.values()), ())
            if around.feed.fault is None:
                at.reveal()
            await at.turn()
            at.service.sender.wake()
            await _nothing_on_its_way(at)
            if dice.random() < RESTARTS:
                done["restarts"] += 1
                await stack.aclose()
                at.service = await _started(stack, settings, clock)
            if step in {0, steps // 2, steps - 1}:
                memory[f"hour {(step + 1) / 6:.1f}"] = round(psutil.Process().memory_info().rss / 2**20, 1)
        around.webhook.status, around.mail.answer = 200, None
        await _sent_in_the_end(at)
        await stack.aclose()
    kept, wrong = kept_at(url), at.findings()
    lost = [line for line in wrong if "never" in line or "not told" in line or "not 1, 2, 3" in line]
    return {
        "hours": hours,
        "seconds": round(time.monotonic() - began, 1),
        **done,
        "reports": len(recorder.published),
        "events": len(kept.events),
        "deliveries": len({line["id"] for line in kept.lines}),
        "lost": len(lost),
        "duplicate": sum("several names" in line for line in wrong),
        "again under the same name": recorder.repeats,
        "memory_mib": memory,
        "findings": wrong,
    }


async def _started(stack: AsyncExitStack, settings: Any, clock: HandClock) -> Service:
    service = await stack.enter_async_context(Service(settings, clock=clock, random=Random(1)))
    await first_questions(service)
    return service


async def _nothing_on_its_way(at: Morning) -> None:
    """Wait: a clock that jumps by ten minutes would end the leases of what is being sent."""
    await asyncio.sleep(0.02)
    async with asyncio.timeout(60):
        while (await asyncio.to_thread(at.service.store.outbox_counts))["leased"]:
            await asyncio.sleep(0.02)


async def _sent_in_the_end(at: Morning) -> None:
    async with asyncio.timeout(120):
        while True:
            counts = await asyncio.to_thread(at.service.store.outbox_counts)
            if not counts["pending"] and not counts["leased"]:
                return
            at.clock.now += timedelta(minutes=1)
            at.service.sender.wake()
            await asyncio.sleep(0.1)


def main(arguments: Sequence[str]) -> int:
    """Run from the command line; print JSON, return 1 when something was wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=24)
    parser.add_argument("--stations", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--store", help="URL of a fresh database; left out: a file that is gone afterwards.")
    asked = parser.parse_args(arguments)
    set_up_logs("quiet")
    logging.getLogger("mail.log").setLevel(logging.CRITICAL)
    with tempfile.TemporaryDirectory(prefix="hoarline-winter-") as name:
        url = asked.store or f"sqlite:///{name}/winter.db"
        found = asyncio.run(run(asked.hours, asked.stations, asked.seed, url, Path(name)))
    print(json.dumps(found, indent=1))
    return 1 if found["findings"] else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
