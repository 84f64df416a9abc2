"""Figures of the store on PostgreSQL: four senders at one outbox, a poll of the whole real world cache. Prints JSON.

python -m tests.benchmarks.postgres

The server is a fresh one of Debian's package, with fsync off: this machine's disk is no part of the figures.
"""

from __future__ import annotations

import json
import multiprocessing
import statistics
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import timedelta
from time import perf_counter

import psycopg
from sqlalchemy import text

from tests.benchmarks.machine import machine
from tests.benchmarks.store import DESTINATIONS
from tests.benchmarks.world import WORLD_NOW, world_poll
from tests.databases import cluster
from tests.store.scenes import NOW, a_change, a_delivery, an_event
from watcher.alerts.changes import Changes
from watcher.alerts.outbox import Settled
from watcher.notify.sender import MOST_IN_A_CLAIM
from watcher.store.store import Store

SENDERS = 4
MESSAGES = 20_000
LEASE = timedelta(minutes=30)


@dataclass(frozen=True)
class Sent:
    """What one sender did. `claims_s` and `settles_s`: how long each of its calls took."""

    begun: float
    ended: float
    names: Sequence[str]
    claims_s: Sequence[float]
    settles_s: Sequence[float]


def owe_all(url: str) -> None:
    with closing(Store.open(url)) as store:
        events = tuple(an_event(f"XNOR-{number}") for number in range(MESSAGES // len(DESTINATIONS)))
        owed = tuple(a_delivery(name, item) for item in events for name in DESTINATIONS)
        store.commit(Changes(NOW, (a_change("XNOR", events=events),), owed))
        with store._database.write() as connection:
            # A server does that by itself within a minute.
            connection.execute(text("ANALYZE"))


def send(url: str, at_once: int, settles: bool, start: object, results: object) -> None:
    """Claim until nothing is left; perf_counter is one clock for all processes of a Linux machine."""
    with closing(Store.open(url)) as store:
        store.check()
        start.wait(60)  # type: ignore[attr-defined]
        begun, names, claims_s, settles_s = perf_counter(), [], [], []
        while True:
            before = perf_counter()
            claimed = store.claim(NOW, limit=at_once, lease=LEASE, per_destination=MESSAGES)
            claims_s.append(perf_counter() - before)
            if not claimed:
                break
            names.extend(item.id for item in claimed)
            if settles:
                before = perf_counter()
                store.settle([Settled(item.id, "sent") for item in claimed], NOW)
                settles_s.append(perf_counter() - before)
        results.put(Sent(begun, perf_counter(), names, claims_s, settles_s))  # type: ignore[attr-defined]


def sent_by_all(url: str, at_once: int, settles: bool) -> dict[str, object]:
    owe_all(url)
    context = multiprocessing.get_context("spawn")
    start, results = context.Barrier(SENDERS), context.Queue()
    processes = [context.Process(target=send, args=(url, at_once, settles, start, results)) for _ in range(SENDERS)]
    for process in processes:
        process.start()
    done: list[Sent] = [results.get(timeout=300) for _ in processes]
    for process in processes:
        process.join(60)
    names = [name for one in done for name in one.names]
    assert len(names) == len(set(names)) == MESSAGES, "each once"
    with closing(Store.open(url)) as store:
        assert store.outbox_counts()["sent" if settles else "leased"] == MESSAGES
    span = max(one.ended for one in done) - min(one.begun for one in done)
    calls = [seconds for one in done for seconds in one.claims_s[:-1]]
    settling = [seconds for one in done for seconds in one.settles_s]
    return {
        "at_once": at_once,
        "by_each": [len(one.names) for one in done],
        "seconds": round(span, 2),
        "messages_a_second": round(MESSAGES / span),
        "claim_median_ms": round(1000 * statistics.median(calls), 1),
        "settle_median_ms": round(1000 * statistics.median(settling), 1) if settling else None,
    }


def main() -> None:
    with cluster() as server:
        template = server.make_template()
        with server.connect() as connection:
            (version,) = connection.execute("SHOW server_version").fetchone() or ("",)
        figures: dict[str, object] = {"postgresql": version, "driver": psycopg.__version__, "senders": SENDERS}
        for name, at_once, settles in (
            ("claimed_as_a_sender_does", MOST_IN_A_CLAIM, False),
            ("claimed", 200, False),
            ("claimed_in_thousands", 1000, False),
            ("claimed_and_settled", 200, True),
        ):
            with server.database(template) as url:
                figures[name] = sent_by_all(url, at_once, settles)
        with server.database(template) as url:
            figures["world"] = world_poll(url, WORLD_NOW)
    print(json.dumps(figures | machine(), indent=2))


if __name__ == "__main__":
    main()
