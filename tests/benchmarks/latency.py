"""From a report handed to the cycle to the webhook being accepted, on an idle service. Prints one JSON object.

Real parts: SQLite store, sender, guard, HTTP on loopback. Polling is not counted: its interval is a setting.
"""

from __future__ import annotations

import asyncio
import json
import statistics
import tempfile
import time
from datetime import timedelta
from pathlib import Path
from random import Random

from tests.benchmarks.machine import machine
from tests.service.night_watch import surroundings
from watcher.clock import utc_now
from watcher.feeds.model import RawReport
from watcher.service.receiving import report_of
from watcher.service.service import Service
from watcher.settings import load_settings
from watcher.telemetry import set_up_logs

COUNT = 200


async def measure(folder: Path) -> list[float]:
    codes = [f"X{number:03d}" for number in range(COUNT)]
    spans = []
    async with surroundings(folder, codes, every="1h") as around:
        accepted = asyncio.Event()
        around.webhook.on_post = lambda _post: accepted.set()
        async with Service(load_settings(around.settings, {}), random=Random(1)) as service:
            await asyncio.sleep(2)
            for code in codes:
                accepted.clear()
                now = utc_now()
                text = f"{code} {now - timedelta(minutes=2):%d%H%M}Z 00000KT 3000 -FZDZ OVC006 M02/M03 Q1010"
                started = time.perf_counter()
                await service.keeper.keep([report_of(RawReport(text), "world", now)])
                async with asyncio.timeout(10):
                    await accepted.wait()
                spans.append(time.perf_counter() - started)
                await asyncio.sleep(0.02)
    return spans


def main() -> None:
    set_up_logs("quiet")
    with tempfile.TemporaryDirectory() as folder:
        spans = sorted(asyncio.run(measure(Path(folder))))
    print(
        json.dumps(
            {
                "reports": COUNT,
                "median_ms": round(statistics.median(spans) * 1000, 1),
                "p99_ms": round(spans[int(COUNT * 0.99) - 1] * 1000, 1),
                "worst_ms": round(spans[-1] * 1000, 1),
                **machine(),
            }
        )
    )


if __name__ == "__main__":
    main()
