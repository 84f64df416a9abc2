"""Kills processes of the service with SIGKILL at random points, hundreds of times, and counts what went wrong.

python -m tests.faults.kills --kills 2000 [--on postgresql] [--seed 1]
"""

from __future__ import annotations

import argparse
import asyncio
import json
import re
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from itertools import count, pairwise
from multiprocessing.process import BaseProcess
from pathlib import Path
from random import Random
from typing import Literal

from sqlalchemy import create_engine, text

from tests.databases import cluster
from tests.faults.recorder import Recorder, findings, kept_at
from tests.faults.served import FastClock, start
from tests.faults.weather import codes, skies
from tests.service.night_watch import Surroundings, surroundings
from watcher.demo.feed_files import MetarRow
from watcher.demo.feed_server import METAR_PATH, Request
from watcher.service.service import ROLES, Role
from watcher.store import schema
from watcher.store.store import Store

On = Literal["sqlite", "postgresql"]
SPEED = 120
STATIONS = list(codes(24))
# A report of every station each twenty minutes of the fast clock, a quarter of them at a time.
PARTS, PART_EVERY_S = 4, 20 * 60 / 4
# Real seconds between two kills: from the middle of a start to some turns later. Where the machine is busy and a start
# takes longer, so do the longest of them: what never begins is not tried by being killed.
BETWEEN_S = (0.05, 0.7)
LONGEST_IN_STARTS, LONGEST_S = 2.0, 3.0
SETTLE_WITHIN_S = 90
_ASKER = re.compile(r"process-(\d+)@")
# Twelve hours would be six minutes of a clock so fast: nothing runs out, so that nothing may be missing.
ENVIRON = {"HOARLINE_WATCH__VALID_FOR": "60d", "HOARLINE_WATCH__KEEP": "60d"}


@dataclass
class Outcome:
    """What was done and what came of it.

    `longest_between_s`: the longest wait between two kills. `longest_unasked_s`: the longest time in which nobody asked
    for reports: no takeover took longer, and a busy machine starves all.
    """

    on: On
    kills: int = 0
    seconds: float = 0.0
    longest_between_s: float = 0.0
    longest_unasked_s: float = 0.0
    counts: dict[str, int] = field(default_factory=dict)
    findings: list[str] = field(default_factory=list)


def roles_on(on: On) -> list[tuple[Role, ...]]:
    """Return the processes that run side by side: on one machine two whole ones, elsewhere each with a part."""
    return [ROLES, ROLES] if on == "sqlite" else [("poller",), ("poller",), ("sender",), ("sender",)]


async def run(on: On, url: str, folder: Path, kills: int, seed: int, within_s: float = float("inf")) -> Outcome:
    """Kill so many times, or for so long, while reports come, let the rest be sent in peace, and count."""
    began, clock = time.monotonic(), FastClock(time.time(), SPEED)
    outcome, recorder = Outcome(on), Recorder(clock)
    Store.open(url).close()
    async with surroundings(folder, STATIONS, clock=clock) as around:
        recorder.listen(around.mail, around.webhook)
        around.feed.requests = HeardRequests(recorder)
        weather = asyncio.create_task(weather_goes_on(around, recorder, clock, seed))
        crew = Crew(around.settings, url, on, clock, folder / "log")
        crew.begin()
        try:
            dice = Random(seed)
            shortest, longest = BETWEEN_S
            longest = min(max(longest, LONGEST_IN_STARTS * await _first_turn(url)), LONGEST_S)
            outcome.longest_between_s = round(longest, 2)
            while outcome.kills < kills and time.monotonic() - began < within_s:
                await asyncio.sleep(dice.uniform(shortest, longest))
                await crew.replace(dice.randrange(len(crew.living)))
                outcome.kills += 1
            await asyncio.sleep(PARTS * PART_EVERY_S / SPEED)
            weather.cancel()
            await all_is_sent(url)
        finally:
            weather.cancel()
            await crew.end()
    kept = kept_at(url)
    outcome.findings = findings(kept, recorder)
    outcome.seconds = round(time.monotonic() - began, 1)
    gaps = (after.at - before.at for before, after in pairwise(recorder.asked))
    outcome.longest_unasked_s = round(max(gaps).total_seconds() / SPEED, 2)
    outcome.counts = {
        "reports": len(recorder.published),
        "questions": len(recorder.asked),
        "processes that asked": len({item.by for item in recorder.asked}),
        "events": len(kept.events),
        "messages": len({line["id"] for line in kept.lines}),
        "arrived again under the same name": recorder.repeats,
        "found if all that was published were known": len(findings(kept, replace(recorder, asked=[]))),
        **Counter(f"told as {line['told_as'].rpartition('.')[2]}" for line in kept.lines),
    }
    return outcome


async def _first_turn(url: str) -> float:
    """Return how many seconds it takes here until processes that were just started have committed a turn."""
    began = time.monotonic()
    store = Store.open(url)
    try:
        async with asyncio.timeout(SETTLE_WITHIN_S):
            while not await asyncio.to_thread(store.versions):
                await asyncio.sleep(0.05)
    finally:
        store.close()
    return time.monotonic() - began


async def _killed(process: BaseProcess) -> None:
    process.kill()
    await asyncio.to_thread(process.join)
    process.close()


async def weather_goes_on(around: Surroundings, recorder: Recorder, clock: FastClock, seed: int) -> None:
    """Publish what is reported under invented skies, until cancelled."""
    sky = skies(STATIONS, seed)
    newest: dict[str, MetarRow] = {}
    for turn in count():
        now = clock()
        for station in STATIONS[turn % PARTS :: PARTS]:
            text_ = sky[station].next_report(now)
            if text_ is not None:
                row = newest[station] = MetarRow.of(text_, now)
                recorder.publish(station, row.observed_at, text_)
        around.feed.publish(list(newest.values()), ())
        await asyncio.sleep(PART_EVERY_S / clock.speed)


class HeardRequests(list[Request]):
    """The requests of a feed, which are written down as they come: the answer is made in the same moment."""

    def __init__(self, recorder: Recorder) -> None:
        super().__init__()
        self._recorder = recorder

    def append(self, request: Request) -> None:
        super().append(request)
        found = _ASKER.search(request.headers["user-agent"])
        if request.path == METAR_PATH and found is not None:
            self._recorder.asks(int(found[1]))


@dataclass
class Crew:
    """The processes at one store, which are killed and replaced. Each has a number of its own and signs with it."""

    settings: Path
    url: str
    on: On
    clock: FastClock
    log: Path
    spoilt: Callable[[], None] = int
    living: list[BaseProcess] = field(default_factory=list)
    begun: int = 0

    def begin(self) -> None:
        """Start all."""
        self.living = [self._started(place) for place in range(len(roles_on(self.on)))]

    async def replace(self, place: int) -> None:
        """Kill one and start another in its place."""
        await _killed(self.living[place])
        self.living[place] = self._started(place)

    async def end(self) -> None:
        """Kill all."""
        while self.living:
            await _killed(self.living.pop())

    def _started(self, place: int) -> BaseProcess:
        self.begun += 1
        environ = ENVIRON | {"HOARLINE_SERVICE__CONTACT": f"process-{self.begun}@example.org"}
        clock = replace(self.clock, mark=self.begun)
        return start(self.settings, self.url, roles_on(self.on)[place], clock, self.log, environ, self.spoilt)


async def all_is_sent(url: str) -> None:
    """Wait until nothing is owed."""
    engine = create_engine(url)
    query = text("SELECT count(*) FROM delivery WHERE state IN ('pending', 'leased')")

    def owed() -> int:
        with engine.connect() as connection:
            return int(connection.execute(query).scalar_one())

    try:
        async with asyncio.timeout(SETTLE_WITHIN_S):
            while await asyncio.to_thread(owed):
                await asyncio.sleep(0.5)
    finally:
        engine.dispose()


def main(arguments: Sequence[str]) -> int:
    """Run from the command line; print JSON, return 1 when something was wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=2000)
    parser.add_argument("--on", choices=("sqlite", "postgresql"), default="postgresql")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=float("inf"), help="Kill for so long at most.")
    parser.add_argument("--log", type=Path, help="Where to keep what the processes wrote.")
    asked = parser.parse_args(arguments)
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="hoarline-kills-")))
        url = f"sqlite:///{folder / 'kills.db'}"
        if asked.on == "postgresql":
            url = stack.enter_context(stack.enter_context(cluster()).database())
            schema.upgrade(url)
        outcome = asyncio.run(run(asked.on, url, folder, asked.kills, asked.seed, 60 * asked.minutes))
        if asked.log is not None:
            shutil.copy(folder / "log", asked.log)
    print(json.dumps(vars(outcome), indent=1))
    return 1 if outcome.findings else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
