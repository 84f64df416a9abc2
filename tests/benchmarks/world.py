"""A poll of the whole real world cache: from bytes received to deliveries in the outbox. Prints one JSON object.

The file is the real bulk cache of 2014-12-18 (public domain), the rules are the shipped ones, the store is SQLite.
"""

from __future__ import annotations

import json
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.benchmarks.machine import machine
from tests.reports.open_data import FOLDER
from watcher.alerts.listeners import Listeners
from watcher.alerts.model import Policy
from watcher.alerts.subscribers import Recipient, Subscription
from watcher.feeds.cache_csv import parse_metar_csv
from watcher.feeds.model import Fetched, Outcome
from watcher.net import gunzip
from watcher.service.cycle import Cycle, Watch
from watcher.service.receiving import received
from watcher.service.rules_folder import load_rulebook
from watcher.stations import StationTable
from watcher.store.store import Store

WORLD_NOW = datetime(2014, 12, 18, 8, 0, tzinfo=UTC)


def world_poll(url: str, now: datetime) -> dict[str, object]:
    """Return the figures of a first poll, the same again, one without news, and a restart, at an empty database."""
    body = (FOLDER / "awc-metars-cache-20141218.csv.gz").read_bytes()
    watch = Watch(None, StationTable.load(), load_rulebook(), Policy())
    listeners = Listeners([Subscription("all", ("desk", "room"))], [Recipient("desk"), Recipient("room")])
    store = Store.open(url)
    cycle = Cycle(store, watch, listeners)
    cycle.load(now)
    marks = [time.perf_counter()]
    rows = parse_metar_csv(gunzip(body, 1 << 26))
    marks.append(time.perf_counter())
    reports = received(Fetched("world", "metar", Outcome.CHANGED, now, rows.reports))
    marks.append(time.perf_counter())
    changes = cycle.turn(reports, now)
    marks.append(time.perf_counter())
    again = cycle.turn(reports, now + timedelta(minutes=1))
    marks.append(time.perf_counter())
    cycle.turn((), now + timedelta(minutes=2))
    marks.append(time.perf_counter())
    restarted = Cycle(store, watch, listeners)
    restarted.load(now + timedelta(minutes=3))
    marks.append(time.perf_counter())
    owed = store.outbox_counts()
    store.close()
    spans = [round(later - earlier, 3) for earlier, later in zip(marks, marks[1:], strict=False)]
    return {
        "reports": len(reports),
        "rules": len(watch.rulebook.rules),
        "events": sum(len(change.events) for change in changes.stations),
        "deliveries": sum(owed.values()),
        "parse_s": spans[0],
        "decode_s": spans[1],
        "judge_and_commit_s": spans[2],
        "all_new_s": round(sum(spans[:3]), 3),
        "same_reports_again_s": spans[3],
        "changed_by_the_repeat": len(again.stations),
        "nothing_new_s": spans[4],
        "load_after_restart_s": spans[5],
    }


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        figures = world_poll(f"sqlite:///{Path(folder) / 'world.db'}", WORLD_NOW)
    print(json.dumps(figures | machine()))


if __name__ == "__main__":
    main()
