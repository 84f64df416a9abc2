"""Resident memory of the service with 5,000 stations, after a day of half-hourly reports, then with frost forecasts for the
1,500 coldest of them and with the pages loaded. Prints one JSON object.

The reports are the real ones of the 2014 cache, given new station codes and times. History beyond 12 hours is in the store only,
so that more days of it do not weigh on the process.
"""

from __future__ import annotations

import gc
import json
import os
import re
import tempfile
from datetime import UTC, datetime, timedelta
from itertools import cycle as endless
from pathlib import Path

import psutil

from tests.benchmarks.machine import machine
from tests.reports.open_data import common_reports
from watcher.alerts.listeners import Listeners
from watcher.alerts.model import Policy
from watcher.alerts.subscribers import Recipient, Subscription
from watcher.feeds.model import RawReport
from watcher.outlook.night.model import NightQuestion
from watcher.reports.station import Station
from watcher.service.cycle import Cycle, Watch
from watcher.service.nights import AT_ONCE, NightPolicy, due_nights
from watcher.service.receiving import report_of
from watcher.service.rules_folder import load_rulebook
from watcher.stations import StationTable
from watcher.store.store import Store

STATIONS, HOURS = 5000, 24
BEGIN = datetime(2026, 1, 12, tzinfo=UTC)
_HEAD = re.compile(r"^[A-Z][A-Z0-9]{3} (?:\d{6})Z")
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


def code(number: int) -> str:
    return "X" + _LETTERS[number // 676 % 26] + _LETTERS[number // 26 % 26] + _LETTERS[number % 26]


def resident_mib() -> float:
    gc.collect()
    return psutil.Process(os.getpid()).memory_info().rss / 2**20


def compute_nights(cycle: Cycle, questions: list[NightQuestion], now: datetime) -> None:
    from watcher.outlook.night.ensemble import nights

    for begin in range(0, len(questions), AT_ONCE):
        cycle.turn((), now, {night.station: night for night in nights(questions[begin : begin + AT_ONCE])})


def load_pages() -> None:
    import watcher.web.app
    import watcher.web.server  # noqa: F401 - what pages cost is what is measured


def main() -> None:
    bodies = [text for sent in common_reports() if _HEAD.match(text := sent.text) and sent.source.startswith("awc")]
    codes = [code(number) for number in range(STATIONS)]
    places = [Station(name, None, "NO", 45 + number % 25, number % 180.0, 100.0) for number, name in enumerate(codes)]
    watch = Watch(frozenset(codes), StationTable.load(places), load_rulebook(), Policy())
    listeners = Listeners([Subscription("all", ("desk", "room"))], [Recipient("desk"), Recipient("room")])
    before = resident_mib()
    with tempfile.TemporaryDirectory() as folder:
        store = Store.open(f"sqlite:///{Path(folder) / 'memory.db'}")
        cycle = Cycle(store, watch, listeners)
        cycle.load(BEGIN)
        source = endless(bodies)
        for half_hour in range(HOURS * 2):
            now = BEGIN + timedelta(minutes=30 * half_hour + 5)
            stamp = f"{now - timedelta(minutes=5):%d%H%M}Z"
            texts = [_HEAD.sub(f"{name} {stamp}", next(source)) for name in codes]
            cycle.turn([report_of(RawReport(text), "world", now) for text in texts], now)
        after = resident_mib()
        questions = due_nights(cycle.views, NightPolicy(), now)
        compute_nights(cycle, questions, now)
        with_nights = resident_mib()
        load_pages()
        with_pages = resident_mib()
        size = (Path(folder) / "memory.db").stat().st_size / 2**20
        store.close()
    print(
        json.dumps(
            {
                "stations": STATIONS,
                "reports": STATIONS * HOURS * 2,
                "resident_mib": round(after, 1),
                "nights": len(questions),
                "with_nights_mib": round(with_nights, 1),
                "with_pages_mib": round(with_pages, 1),
                "before_the_first_station_mib": round(before, 1),
                "database_mib": round(size, 1),
                **machine(),
            }
        )
    )


if __name__ == "__main__":
    main()
