"""Messages of the WMO Information System through a real broker to decoded reports, each acknowledged. Prints JSON.

python -m tests.benchmarks.wis2

Each message is a notification in the standard's form with one real METAR (public domain: tests/data/reports/SOURCES.md)
and its SHA-512 checksum. What counts is the wall clock; where others use the machine, our own time tells more. `queued`: the broker had kept them all for us; `live`: another process publishes meanwhile.
"""

from __future__ import annotations

import asyncio
import csv
import gzip
import json
import os
import subprocess
import sys
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from time import perf_counter, process_time

from tests.benchmarks.machine import machine
from tests.feeds.wis2_scenes import METAR_TOPIC, notification, packed, publisher
from tests.notify.mosquitto import Mosquitto, mosquitto
from watcher.feeds.budget import Budgets
from watcher.feeds.model import What
from watcher.feeds.wis2 import Wis2Feed
from watcher.net import BrokerAddress, Guard, HttpClients
from watcher.reports.model import Observation
from watcher.service.receiving import received

WORLD = Path(__file__).parent.parent / "data" / "reports" / "awc-metars-cache-20141218.csv.gz"
NOW = datetime(2014, 12, 18, 8, 0, tzinfo=UTC)
COUNT = int(os.environ.get("COUNT", "20000"))
ROUNDS = 3


def messages(count: int, seed: int) -> list[bytes]:
    """Return notifications of the world's METARs, each with another wind, so that none repeats."""
    with gzip.open(WORLD, "rt") as file:
        texts = [row[0] for row in csv.reader(file) if len(row) > 40 and row[0] != "raw_text"]
    random = Random(seed)
    made = []
    for number in range(count):
        text = f"METAR {texts[number % len(texts)]} RMK {random.randrange(10**8)}=\n"
        made.append(packed(notification(text.encode(), data_id=f"{seed}/{number}", published_at=NOW)))
    return made


def publish_all(port: int, seed: int) -> None:
    made = messages(COUNT, seed)
    with publisher(port) as client:
        print("ready", flush=True)
        sys.stdin.readline()
        last = [client.publish(METAR_TOPIC, payload, qos=1) for payload in made][-1]
        last.wait_for_publish(60)


def other_process(port: int, seed: int) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "tests.benchmarks.wis2", str(port), str(seed)]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    process.stdout.readline()
    return process


def go(process: subprocess.Popen[str]) -> None:
    assert process.stdin is not None
    process.stdin.write("go\n")
    process.stdin.flush()


async def drained(feed: Wis2Feed, called: asyncio.Event) -> tuple[int, float, float]:
    """Ask when called until all came; return how many reports were decoded, the seconds of it, and those of our own."""
    decoded = 0
    begin, busy = perf_counter(), process_time()
    while feed._desk.fates.total() < COUNT or feed._desk.waiting("metar"):
        called.clear()
        fetched = await feed.fetch("metar", now=NOW)
        reports = await asyncio.to_thread(received, fetched)
        decoded += len(reports)
        assert sum(isinstance(report.decoded, Observation) for report in reports) >= 0.97 * len(reports)
        assert fetched.on_kept is not None
        fetched.on_kept()
        if not reports:
            await called.wait()
    return decoded, perf_counter() - begin, process_time() - busy


async def measured(served: Mosquitto, seed: int, *, live: bool) -> tuple[float, float]:
    guard, random = Guard(["127.0.0.0/8"]), Random(1)
    called = asyncio.Event()

    def hear(_what: What) -> None:
        called.set()

    async with HttpClients(guard, contact="duty@example.org") as http:
        feed = Wis2Feed(
            "told",
            guard,
            http,
            Budgets(random),
            brokers=[BrokerAddress("127.0.0.1", served.port, False)],
            login=None,
            client_id=f"hoarline-bench-{seed}",
            topics=[METAR_TOPIC],
            keep=timedelta(hours=1),
            clock=lambda: NOW,
            random=random,
            idle=timedelta(minutes=10),
            gather_s=0.05,
        )
        feed.hear = hear
        await feed.fetch("metar", now=NOW)
        process = await asyncio.to_thread(other_process, served.port, seed)
        if not live:
            await feed.aclose()
            go(process)
            await asyncio.to_thread(process.wait, 120)
        else:
            go(process)
        decoded, seconds, busy_s = await drained(feed, called)
        await asyncio.to_thread(process.wait, 120)
        assert decoded >= 0.99 * COUNT, feed._desk.fates  # a few of the world's texts are no reports
        await feed.aclose()
    return seconds, busy_s


async def main() -> None:
    figures: dict[str, object] = {"messages": COUNT, "bytes_each": len(messages(1, 0)[0]), "rounds": ROUNDS}
    lines = ("allow_anonymous true", "max_queued_messages 0")
    with tempfile.TemporaryDirectory() as folder, mosquitto(Path(folder), *lines) as served:
        for name, live in (("queued", False), ("live", True)):
            times = [await measured(served, seed, live=live) for seed in range(ROUNDS * live, ROUNDS * (live + 1))]
            figures[f"{name}_messages_a_second"] = [round(COUNT / seconds) for seconds, _ in sorted(times)]
            figures[f"{name}_messages_a_second_of_our_own_time"] = [
                round(COUNT / busy_s) for _, busy_s in sorted(times)
            ]
    print(json.dumps({"machine": machine(), **figures}, indent=1))


if __name__ == "__main__":
    if len(sys.argv) > 1:
        publish_all(int(sys.argv[1]), int(sys.argv[2]))
    else:
        asyncio.run(main())
