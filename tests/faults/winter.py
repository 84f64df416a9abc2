"""Hours of a simulated winter in minutes: feeds, receivers and the store fail, the service restarts; all is counted.

python -m tests.faults.winter --hours 24 [--stations 50] [--seed 1] [--on postgresql] [--restarts 0]

The service is a process of its own, so that its memory is its own. It is called flat where the median of the second
half of the samples, one after each step, is not above that of the first half by more than `FLAT_WITHIN`, of the process
that lived longest and without its first `WARM_UP` of the time: what is learned and remembered of twelve hours fills up.
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
from contextlib import AsyncExitStack, ExitStack
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from random import Random
from statistics import linear_regression, median
from typing import Any, Literal

from sqlalchemy import create_engine, update

from tests.databases import cluster
from tests.faults.driven import Driven, SharedClock, new_clock
from tests.faults.recorder import Recorder, findings, kept_at
from tests.faults.weather import Sky, codes, skies
from tests.service.night_watch import Surroundings, surroundings
from watcher.demo.feed_files import MetarRow
from watcher.store import schema
from watcher.store.store import Store
from watcher.store.tables import station_state
from watcher.telemetry import set_up_logs

STEP = timedelta(minutes=10)
STEPS_AN_HOUR = 6
FEED_FAULTS = ("outage", "page", "half", "broken-off", "empty", "yesterday", "busy")
# Chances in each step.
FEED_FAILS, RECEIVER_FAILS, CONFLICTS, RESTARTS = 0.1, 0.1, 0.1, 0.03
WARM_UP, FLAT_WITHIN = 0.25, 0.03
# A state that another process wrote, for so many stations at once.
MOST_IN_CONFLICT = 5


@dataclass
class Winter:
    """What goes on around the service, and what was seen of it."""

    url: str
    clock: SharedClock
    around: Surroundings
    recorder: Recorder
    store: Store
    dice: Random
    sky: dict[str, Sky]
    rows: dict[str, MetarRow] = field(default_factory=dict)
    hidden: dict[str, tuple[str, Any, str]] = field(default_factory=dict)
    done: dict[str, int] = field(
        default_factory=lambda: dict.fromkeys(("feed faults", "receiver faults", "store conflicts", "restarts"), 0)
    )

    def goes_on(self, step: int) -> None:
        """Let ten minutes pass: new reports, new faults."""
        dice, around = self.dice, self.around
        self.clock.set(self.clock() + STEP)
        around.feed.fault = dice.choice(FEED_FAULTS) if dice.random() < FEED_FAILS else None  # type: ignore[assignment]
        around.webhook.status = 500 if dice.random() < RECEIVER_FAILS else 200
        around.mail.answer = "451 4.3.0 later" if dice.random() < RECEIVER_FAILS else None
        self.done["feed faults"] += around.feed.fault is not None
        self.done["receiver faults"] += (around.webhook.status != 200) + (around.mail.answer is not None)
        now = self.clock()
        for station in list(self.sky)[step % 2 :: 2]:
            text = self.sky[station].next_report(now)
            if text is not None:
                row = self.rows[station] = MetarRow.of(text, now)
                self.hidden[station] = station, row.observed_at, text
        around.feed.publish(list(self.rows.values()), ())
        if around.feed.fault is None:
            # What the fault kept back can be had from now on; what was replaced meanwhile was never seen.
            for item in self.hidden.values():
                self.recorder.publish(*item)
            self.hidden.clear()

    def contend(self) -> None:
        """Write the states of some stations as another process would: what the service makes next is refused once."""
        stations = self.dice.sample(list(self.sky), min(MOST_IN_CONFLICT, len(self.sky)))
        engine = create_engine(self.url)
        with engine.begin() as connection:
            raised = update(station_state).values(version=station_state.c.version + 1)
            changed = connection.execute(raised.where(station_state.c.station.in_(stations))).rowcount
        engine.dispose()
        self.done["store conflicts"] += changed > 0

    async def nothing_on_its_way(self) -> None:
        """Wait: a clock that jumps by ten minutes would end the leases of what is being sent."""
        await asyncio.sleep(0.02)
        async with asyncio.timeout(300):
            while (await asyncio.to_thread(self.store.outbox_counts))["leased"]:
                await asyncio.sleep(0.02)

    async def sent_in_the_end(self, service: Driven) -> None:
        """Let time pass until nothing is owed."""
        self.around.webhook.status, self.around.mail.answer = 200, None
        async with asyncio.timeout(240):
            while True:
                counts = await asyncio.to_thread(self.store.outbox_counts)
                if not counts["pending"] and not counts["leased"]:
                    return
                self.clock.set(self.clock() + timedelta(minutes=1))
                await service.wake()
                await asyncio.sleep(0.1)


async def run(
    hours: float, count: int, seed: int, url: str, folder: Path, restarts: float = RESTARTS
) -> dict[str, Any]:
    """Let so many hours pass, and count."""
    began, steps, file = time.monotonic(), int(hours * STEPS_AN_HOUR), new_clock(folder)
    clock, lives = SharedClock(file), list[list[tuple[float, float]]]()
    stations = list(codes(count))
    Store.open(url).close()
    async with surroundings(folder, stations, every="1h", clock=clock) as around, AsyncExitStack() as stack:
        recorder = Recorder(clock)
        recorder.listen(around.mail, around.webhook)
        store = Store.open(url)
        stack.callback(store.close)
        at = Winter(url, clock, around, recorder, store, Random(seed), skies(stations, seed))
        for step in range(steps):
            if not lives or at.dice.random() < restarts:
                at.done["restarts"] += bool(lives)
                await stack.aclose()
                at.store = store = Store.open(url)
                stack.callback(store.close)
                service = await stack.enter_async_context(Driven(around.settings, url, file, folder / "log"))
                lives.append([])
            at.goes_on(step)
            if at.dice.random() < CONFLICTS:
                await asyncio.to_thread(at.contend)
            await service.turn()
            await at.nothing_on_its_way()
            if step % STEPS_AN_HOUR == 0:
                await service.hour()
            lives[-1].append(((step + 1) / STEPS_AN_HOUR, service.memory_mib))
        await at.sent_in_the_end(service)
        await stack.aclose()
    kept = kept_at(url)
    wrong = findings(kept, recorder)
    lost = [line for line in wrong if "never" in line or "not told" in line or "not 1, 2, 3" in line]
    return {
        "hours": hours,
        "on": url.partition(":")[0],
        "seconds": round(time.monotonic() - began, 1),
        **at.done,
        "reports": len(recorder.published),
        "events": len(kept.events),
        "deliveries": len({line["id"] for line in kept.lines}),
        "lost": len(lost),
        "duplicate": sum("several names" in line for line in wrong),
        "again under the same name": recorder.repeats,
        "memory": memory_of(max(lives, key=len)),
        "findings": wrong,
    }


def memory_of(samples: Sequence[tuple[float, float]]) -> dict[str, Any]:
    """Return how the memory of one process went, of (hour, MiB) after each step; see the head of this module."""
    settled = samples[int(len(samples) * WARM_UP) :]
    if len(settled) < 4:
        return {"samples": len(samples), "flat": None}
    middle = len(settled) // 2
    first, second = (median(mib for _, mib in half) for half in (settled[:middle], settled[middle:]))
    slope = linear_regression([hour for hour, _ in settled], [mib for _, mib in settled]).slope
    return {
        "samples": len(samples),
        "first_mib": round(samples[0][1], 1),
        "median_of_first_half_mib": round(first, 1),
        "median_of_second_half_mib": round(second, 1),
        "highest_mib": round(max(mib for _, mib in samples), 1),
        "slope_mib_per_hour": round(slope, 3),
        "flat": second <= first * (1 + FLAT_WITHIN),
        "each_two_hours_mib": [round(mib, 1) for _, mib in samples[:: 2 * STEPS_AN_HOUR]],
    }


def main(arguments: Sequence[str]) -> int:
    """Run from the command line; print JSON, return 1 when something was wrong or memory is not flat."""
    on: tuple[Literal["sqlite", "postgresql"], ...] = ("sqlite", "postgresql")
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=24)
    parser.add_argument("--stations", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--on", choices=on, default="sqlite")
    parser.add_argument("--restarts", type=float, default=RESTARTS, help="Chance of a restart in each step.")
    asked = parser.parse_args(arguments)
    set_up_logs("quiet")
    logging.getLogger("mail.log").setLevel(logging.CRITICAL)
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="hoarline-winter-")))
        url = f"sqlite:///{folder}/winter.db"
        if asked.on == "postgresql":
            url = stack.enter_context(stack.enter_context(cluster()).database())
            schema.upgrade(url)
        found = asyncio.run(run(asked.hours, asked.stations, asked.seed, url, folder, asked.restarts))
    print(json.dumps(found, indent=1))
    return 1 if found["findings"] or found["memory"]["flat"] is False else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
