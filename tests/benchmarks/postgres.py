"""Figures of the store on PostgreSQL: four senders at one outbox, a poll of the whole real world cache. Prints JSON.

python -m tests.benchmarks.postgres

The server is a fresh one of Debian's package, with fsync off: this machine's disk is no part of the figures.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import statistics
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import timedelta
from time import perf_counter, process_time

import psycopg
from sqlalchemy import text

from tests.benchmarks.machine import machine
from tests.benchmarks.world import WORLD_NOW, world_poll
from tests.databases import Cluster, cluster
from tests.store.scenes import NOW, a_change, a_delivery, an_event
from watcher.alerts.changes import Changes
from watcher.alerts.outbox import Settled
from watcher.notify.sender import MOST_IN_A_CLAIM
from watcher.store.store import Store

SENDERS = 4
MESSAGES = 20_000
LEASE = timedelta(minutes=30)


@dataclass(frozen=True)
class Case:
    """How the senders work: how many each claims at once, for whom, and whether it settles them before the next."""

    at_once: int
    settles: bool
    destinations: int = 50
    per_destination: int = MESSAGES


CASES = {
    # So many at once, and for one destination, as `watcher.notify.sender` does.
    "as_a_sender_does": Case(MOST_IN_A_CLAIM, settles=True, destinations=200, per_destination=4),
    "claimed_and_settled": Case(200, settles=True),
    # Nothing is settled here: at the end 20,000 are in flight, which no sender would let happen.
    "claimed_by_64": Case(64, settles=False),
    "claimed_by_200": Case(200, settles=False),
    "claimed_by_1000": Case(1000, settles=False),
}


@dataclass(frozen=True)
class Sent:
    """What one sender did. `claims_s`, `settles_s`: how long each of its calls took; `processor_s`: of its process."""

    begun: float
    ended: float
    names: Sequence[str]
    claims_s: Sequence[float]
    settles_s: Sequence[float]
    processor_s: float


def owe_all(url: str, destinations: int) -> None:
    with closing(Store.open(url)) as store:
        events = tuple(an_event(f"XNOR-{number}") for number in range(MESSAGES // destinations))
        names = [f"destination-{number}" for number in range(destinations)]
        owed = tuple(a_delivery(name, item) for item in events for name in names)
        store.commit(Changes(NOW, (a_change("XNOR", events=events),), owed))
        with store._database.write() as connection:
            # A server does that by itself within a minute.
            connection.execute(text("ANALYZE"))


def send(url: str, case: Case, start: object, results: object) -> None:
    """Claim until nothing is left; perf_counter is one clock for all processes of a Linux machine."""
    with closing(Store.open(url)) as store:
        store.check()
        start.wait(60)  # type: ignore[attr-defined]
        begun, processor, names, claims_s, settles_s = perf_counter(), process_time(), [], [], []
        while True:
            before = perf_counter()
            claimed = store.claim(NOW, limit=case.at_once, lease=LEASE, per_destination=case.per_destination)
            claims_s.append(perf_counter() - before)
            if not claimed:
                break
            names.extend(item.id for item in claimed)
            if case.settles:
                before = perf_counter()
                store.settle([Settled(item.id, "sent") for item in claimed], NOW)
                settles_s.append(perf_counter() - before)
        ended, processor_s = perf_counter(), process_time() - processor
        results.put(Sent(begun, ended, names, claims_s, settles_s, processor_s))  # type: ignore[attr-defined]


def sent_by_all(server: Cluster, url: str, case: Case) -> dict[str, object]:
    owe_all(url, case.destinations)
    before_s = server.processor_s()
    context = multiprocessing.get_context("spawn")
    start, results = context.Barrier(SENDERS), context.Queue()
    processes = [context.Process(target=send, args=(url, case, start, results)) for _ in range(SENDERS)]
    for process in processes:
        process.start()
    done: list[Sent] = [results.get(timeout=300) for _ in processes]
    for process in processes:
        process.join(60)
    names = [name for one in done for name in one.names]
    assert len(names) == len(set(names)) == MESSAGES, "each once"
    with closing(Store.open(url)) as store:
        assert store.outbox_counts()["sent" if case.settles else "leased"] == MESSAGES
    span = max(one.ended for one in done) - min(one.begun for one in done)
    calls = [seconds for one in done for seconds in one.claims_s[:-1]]
    settling = [seconds for one in done for seconds in one.settles_s]
    processor_s = {"senders": sum(one.processor_s for one in done), "server": server.processor_s() - before_s}
    return {
        "at_once": case.at_once,
        "by_each": [len(one.names) for one in done],
        "seconds": round(span, 2),
        "messages_a_second": round(MESSAGES / span),
        "claim_median_ms": round(1000 * statistics.median(calls), 1),
        "settle_median_ms": round(1000 * statistics.median(settling), 1) if settling else None,
        "processor_ms_for_each_claim": {who: round(1000 * s / len(calls), 2) for who, s in processor_s.items()},
        # What the machine could do at most: this figure hardly changes with what else it does.
        "messages_a_second_of_all_cores": round(MESSAGES / sum(processor_s.values()) * (os.cpu_count() or 1)),
    }


def main() -> None:
    with cluster() as server:
        template = server.make_template()
        with server.connect() as connection:
            (version,) = connection.execute("SHOW server_version").fetchone() or ("",)
        figures: dict[str, object] = {"postgresql": version, "driver": psycopg.__version__, "senders": SENDERS}
        for name, case in CASES.items():
            with server.database(template) as url:
                figures[name] = sent_by_all(server, url, case)
        with server.database(template) as url:
            figures["world"] = world_poll(url, WORLD_NOW)
    print(json.dumps(figures | machine(), indent=2))


if __name__ == "__main__":
    main()
