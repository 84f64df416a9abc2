"""How long nobody leads: a leader is killed, another service stands by. Prints JSON.

python -m tests.benchmarks.takeover [ROUNDS]

Two whole services at one PostgreSQL, in processes of their own, with a feed on this machine. Measured from the signal
to the first turn that the next one has committed, which is when the version of a station, asked every 20 ms, has risen
in a term that is a new one.
"""

from __future__ import annotations

import asyncio
import json
import os
import signal
import statistics
import sys
from contextlib import AsyncExitStack, closing
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter

from tests.benchmarks.machine import machine
from tests.databases import cluster
from tests.service.night_watch import Surroundings, surroundings
from watcher.clock import utc_now
from watcher.store.store import Store

ROUNDS = 5
LOOK_EVERY_S = 0.02


def report(number: int) -> str:
    """Return the weather of the moment, each time with another wind, so that it is always news."""
    return f"XNOR {utc_now():%d%H%M}Z 050{number:02d}KT 3000 -FZDZ OVC006 M02/M03 Q1010"


async def started(settings: Path) -> asyncio.subprocess.Process:
    command = (sys.executable, "-m", "watcher.cli", "run", "--config", str(settings))
    quiet = asyncio.subprocess.DEVNULL
    return await asyncio.create_subprocess_exec(*command, stdout=quiet, stderr=quiet)


async def until(store: Store, term: int, versions: dict[str, int]) -> None:
    """Wait for a committed turn of a later term."""
    async with asyncio.timeout(60):
        while store.term() <= term or store.versions() == versions:
            await asyncio.sleep(LOOK_EVERY_S)


async def taken_over(around: Surroundings, store: Store, rounds: int) -> list[float]:
    """Kill the leader again and again; a fresh process stands by each time. Return how long nobody wrote."""
    spans = []
    leader = await started(around.settings)
    try:
        around.publish([report(0)], utc_now())
        await until(store, 0, {})
        for number in range(1, rounds + 1):
            next_one = await started(around.settings)
            # Long enough to have opened the store and to have lost its first election.
            await asyncio.sleep(6)
            term, versions = store.term(), store.versions()
            leader.send_signal(signal.SIGKILL)
            begun = perf_counter()
            # The weather of the moment: the leader that is gone never heard of it.
            around.publish([report(number)], utc_now())
            await leader.wait()
            leader = next_one
            await until(store, term, versions)
            spans.append(perf_counter() - begun)
    finally:
        leader.kill()
        await leader.wait()
    return spans


async def measured(rounds: int) -> dict[str, object]:
    async with AsyncExitStack() as stack:
        server = stack.enter_context(cluster())
        url = stack.enter_context(server.database(server.make_template()))
        folder = Path(stack.enter_context(TemporaryDirectory()))
        around = await stack.enter_async_context(surroundings(folder, ["XNOR"], every="2s"))
        written = around.settings.read_text()
        ours = next(line for line in written.splitlines() if line.startswith("url = "))
        around.settings.write_text(written.replace(ours, f'url = "{url}"', 1))
        store = stack.enter_context(closing(Store.open(url)))
        spans = await taken_over(around, store, rounds)
    return {
        "kills": len(spans),
        "seconds": [round(span, 2) for span in spans],
        "median_s": round(statistics.median(spans), 2),
        "worst_s": round(max(spans), 2),
    }


def main() -> None:
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else ROUNDS
    os.environ.pop("HOARLINE_TEST_DATABASE", None)
    print(json.dumps(asyncio.run(measured(rounds)) | machine(), indent=2))


if __name__ == "__main__":
    main()
