"""Figures of the feeds: reading the world's METAR file, polls of it and of a station API on this machine. Prints JSON.

python -m tests.benchmarks.feeds
"""

from __future__ import annotations

import asyncio
import csv
import gzip
import json
import platform
import statistics
import tracemalloc
from collections.abc import Awaitable, Callable
from dataclasses import replace
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from random import Random
from time import perf_counter

import httpx

from tests.feeds.station_api import StationApi
from watcher.demo.feed_files import MetarRow, metar_csv
from watcher.demo.feed_server import FeedServer
from watcher.feeds.answers import read_answer
from watcher.feeds.budget import Budgets
from watcher.feeds.bulk import BulkFeed
from watcher.feeds.cache_csv import parse_metar_csv
from watcher.feeds.cache_xml import parse_cache_xml
from watcher.feeds.query import QueryFeed
from watcher.net import Guard, HttpClients

WORLD = Path(__file__).parent.parent / "data" / "reports" / "awc-metars-cache-20141218.csv.gz"
TAFS = Path(__file__).parent.parent / "data" / "reports" / "awc-tafs-cache-20251015-excerpt.xml"
NOW = datetime(2014, 12, 18, 8, 0, tzinfo=UTC)
ROUNDS = 15


def median_ms(work: Callable[[], object]) -> float:
    times = []
    for _ in range(ROUNDS):
        begin = perf_counter()
        work()
        times.append(perf_counter() - begin)
    return round(1000 * statistics.median(times), 2)


async def median_ms_of(work: Callable[[], Awaitable[object]]) -> float:
    times = []
    for _ in range(ROUNDS):
        begin = perf_counter()
        await work()
        times.append(perf_counter() - begin)
    return round(1000 * statistics.median(times), 2)


def reading(body: bytes, rows: list[MetarRow]) -> dict[str, float]:
    lines = body.decode().splitlines()
    bare = median_ms(lambda: list(csv.reader(lines)))
    whole = median_ms(lambda: parse_metar_csv(body))
    head, tail = TAFS.read_bytes().split(b"<TAF>", 1)
    entries, end = (b"<TAF>" + tail).rsplit(b"</data>", 1)
    forecasts = head + entries * 1500 + b"</data>" + end
    tracemalloc.start()
    parse_cache_xml(forecasts, "taf")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return {
        "rows": len(rows),
        "unpack_ms": median_ms(lambda: gzip.decompress(WORLD.read_bytes())),
        "csv_reader_alone_ms": bare,
        "parse_csv_ms": whole,
        "parse_csv_over_csv_reader": round(whole / bare, 2),
        "forecasts": 3000,
        "forecasts_mib": round(len(forecasts) / 2**20, 1),
        "parse_xml_ms": median_ms(lambda: parse_cache_xml(forecasts, "taf")),
        "parse_xml_peak_python_mib": round(peak / 2**20, 1),
    }


def feed_of(server: FeedServer, http: HttpClients) -> BulkFeed:
    return BulkFeed("world", http, Budgets(Random(1), per_minute=10_000), metar_url=server.metar_url)


async def polling(rows: list[MetarRow]) -> dict[str, float]:
    found: dict[str, float] = {}
    async with HttpClients(Guard(["127.0.0.0/8"])) as http:
        async with FeedServer() as server:
            server.publish(rows, [])
            await feed_of(server, http).fetch("metar", now=NOW)
            serving_ms = await median_ms_of(lambda: http.get(server.metar_url))
            found["server_and_transfer_ms"] = serving_ms
            feed = feed_of(server, http)
            found["poll_all_new_ms"] = await median_ms_of(lambda: feed.fetch("metar", now=NOW, everything=True))
            found["poll_unchanged_304_ms"] = await median_ms_of(lambda: feed.fetch("metar", now=NOW))
            news = []
            for turn in range(ROUNDS):
                server.publish([replace(row, text=f"{row.text} {turn}") if i % 20 == 0 else row
                                for i, row in enumerate(rows)], [])  # fmt: skip
                begin = perf_counter()
                fetched = await feed.fetch("metar", now=NOW)
                news.append(perf_counter() - begin)
            found["poll_one_in_20_changed_ms"] = round(1000 * statistics.median(news), 2)
            found["changed_reports"] = len(fetched.reports)
        async with FeedServer(conditional=False) as server:
            server.publish(rows, [])
            feed = feed_of(server, http)
            await feed.fetch("metar", now=NOW)
            found["poll_same_file_ms"] = await median_ms_of(lambda: feed.fetch("metar", now=NOW))
    return found


async def asking(rows: list[MetarRow]) -> dict[str, float]:
    """The station API: reading an answer of the most reports that are given, and a round of one request."""
    texts = {row.station: row.text for row in rows[:400]}
    raw = "".join(f"{text}\n" for text in texts.values()).encode()
    entries = json.dumps([{"icaoId": code, "rawOb": text, "temp": 0} for code, text in texts.items()]).encode()
    few = dict(list(texts.items())[:100])
    async with HttpClients(Guard(["127.0.0.0/8"])) as http, StationApi({code: [few[code]] for code in few}) as api:
        feed = QueryFeed("few", http, Budgets(Random(1), per_minute=10_000), few, metar_url=api.url())
        first = await feed.fetch("metar", now=NOW)
        all_new_ms = await median_ms_of(lambda: feed.fetch("metar", now=NOW, everything=True))
        unchanged_ms = await median_ms_of(lambda: feed.fetch("metar", now=NOW))
    return {
        "read_400_raw_ms": median_ms(lambda: read_answer(raw, "metar", texts, NOW)),
        "read_400_json_ms": median_ms(lambda: read_answer(entries, "metar", texts, NOW)),
        "stations": len(first.reports),
        "round_all_new_ms": all_new_ms,
        "round_unchanged_304_ms": unchanged_ms,
        "answer_bytes": first.size_bytes,
        "answer_over_bulk_file": round(first.size_bytes / WORLD.stat().st_size, 4),
    }


async def guarding() -> dict[str, float]:
    """Requests a second to one host, four at a time: through the guard, and by the bare library."""
    count = 2000

    async def rate(ask: Callable[[str], Awaitable[object]], url: str) -> float:
        async def worker() -> None:
            for _ in range(count // 4):
                await ask(url)

        begin = perf_counter()
        await asyncio.gather(*(worker() for _ in range(4)))
        return count / (perf_counter() - begin)

    async with FeedServer() as server:
        url = server.metar_url + "-none"
        async with HttpClients(Guard(["127.0.0.0/8"])) as guarded:
            await guarded.get(url)
            through = await rate(guarded.get, url)
        async with httpx.AsyncClient(limits=httpx.Limits(max_connections=4), trust_env=False) as bare:
            await bare.get(url)
            without = await rate(bare.get, url)
    return {
        "guarded_requests_a_second": round(through),
        "bare_requests_a_second": round(without),
        "guarded_over_bare": round(through / without, 2),
    }


async def main() -> None:
    body = gzip.decompress(WORLD.read_bytes())
    rows = [
        MetarRow(r.text, r.station or "", r.observed_at or NOW, "SPECI" if r.kind == "SPECI" else "METAR")
        for r in parse_metar_csv(body).reports
    ]
    assert parse_metar_csv(metar_csv(rows, "2014")).row_count == len(rows)
    figures = {
        "machine": {"python": platform.python_version(), "processor": platform.machine(), "system": platform.system()},
        "versions": {name: version(name) for name in ("httpx", "httpcore", "lxml")},
        "reading": reading(body, rows),
        "polling": await polling(rows),
        "asking": await asking(rows),
        "guard": await guarding(),
    }
    print(json.dumps(figures, indent=2))


if __name__ == "__main__":
    asyncio.run(main())
