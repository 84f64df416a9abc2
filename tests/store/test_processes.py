"""Several processes at one database, and processes that are killed in the middle."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random

import pytest

from tests.store.scenes import LEASE, NOW, Owing, claim, everything, is_sound
from tests.store.workers import REPORTS, a_turn
from watcher.alerts.outbox import Settled
from watcher.reports.station import Station
from watcher.store.store import Store

ROOT = Path(__file__).parents[2]


@contextmanager
def worker(work: str, *arguments: str) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.store.workers", work, *arguments],
        cwd=ROOT,
        text=True,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


def heard_from(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    return process.stdout.readline().strip()


def go_on(process: subprocess.Popen[str]) -> None:
    assert process.stdin is not None
    process.stdin.write("\n")
    process.stdin.flush()


def committed_turns(url: str) -> int:
    """Return how many turns are in the database, after checking that each is there whole."""
    assert is_sound(url)
    rows = {name: len(found) for name, found in everything(url).items()}
    turns = rows["event"]
    assert (rows["delivery"], rows["delivery_event"], rows["unreadable"]) == (turns, turns, turns)
    assert rows["report"] == turns * REPORTS
    store = Store.open(url)
    assert store.load([Station("XNOR")], now=NOW)["XNOR"].state.version == turns
    store.close()
    return turns


def test_two_senders_never_get_the_same_delivery(store: Store, url: str) -> None:
    owing = Owing(store)
    names = [
        name for number in range(40) for name in owing.owe(f"XNOR-{number % 25}", *(f"desk-{n}" for n in range(5)))
    ]
    claimed: list[list[str]] = []
    with worker("send_all", url) as one, worker("send_all", url) as two:
        for process in (one, two):
            assert heard_from(process) == "ready"
        for process in (one, two):
            go_on(process)
        for process in (one, two):
            output, _ = process.communicate(timeout=60)
            assert process.returncode == 0
            claimed.append(output.split())
    assert sorted(claimed[0] + claimed[1]) == sorted(names)
    assert store.outbox_counts() == {"pending": 0, "leased": 0, "sent": 200, "dead": 0, "expired": 0}
    assert all(item.attempts == 1 for item in store.deliveries(1000))


@pytest.mark.sqlite
def test_several_processes_may_open_a_fresh_file_at_once(url: str) -> None:
    stations = ("XNOR", "XBAY", "XFEL", "XMOR")
    with (
        worker("open_fresh", url, "XNOR") as a,
        worker("open_fresh", url, "XBAY") as b,
        worker("open_fresh", url, "XFEL") as c,
        worker("open_fresh", url, "XMOR") as d,
    ):
        for process in (a, b, c, d):
            assert heard_from(process) == "ready"
        for process in (a, b, c, d):
            go_on(process)
        assert [heard_from(process) for process in (a, b, c, d)] == ["done"] * 4
    store = Store.open(url)
    assert store.station_codes() == frozenset(stations)
    store.close()


@pytest.mark.slow
@pytest.mark.parametrize(
    "where",
    ["INSERT INTO report", "INSERT INTO event", "INSERT INTO delivery ", "INSERT INTO delivery_event", "commit"],
)
def test_a_process_killed_inside_a_commit_leaves_nothing_of_that_turn(url: str, where: str) -> None:
    with worker("commit_and_wait_inside", url, where) as process:
        assert heard_from(process) == "inside"
        process.kill()
        process.wait()
    assert committed_turns(url) == 1
    store = Store.open(url)
    store.commit(a_turn(1))
    store.close()
    assert committed_turns(url) == 2


@pytest.mark.slow
def test_a_process_killed_at_any_time_loses_nothing_that_it_had_committed(url: str) -> None:
    random = Random(20260112)
    told = 0
    for _ in range(6):
        with worker("commit_turns", url) as process:
            for _ in range(random.randint(1, 12)):
                told = int(heard_from(process).removeprefix("committed "))
            process.kill()
            output, _ = process.communicate()
            told = max([told, *(int(line.removeprefix("committed ")) for line in output.split("\n")[:-1])])
        assert committed_turns(url) in {told, told + 1}, "the last commit may be done before it is told"
        told = committed_turns(url)


@pytest.mark.slow
def test_after_a_sender_was_killed_only_what_it_held_is_sent_again_under_the_same_id(store: Store, url: str) -> None:
    owing = Owing(store)
    names = [owing.owe(f"XNOR-{number}", f"desk-{number % 3}")[0] for number in range(10)]
    (sent,) = claim(store, limit=1)
    store.settle([Settled(sent, "sent")], NOW)
    with worker("claim_and_wait", url, "4") as process:
        held = heard_from(process).split()
        process.kill()
        process.wait()
    assert len(held) == 4
    others = claim(store, per=100)
    assert set(others).isdisjoint(held)
    store.settle([Settled(name, "sent") for name in others], NOW)
    again = store.claim(NOW + LEASE, limit=100, lease=LEASE, per_destination=100)
    assert sorted(item.id for item in again) == sorted(held)
    assert {item.attempts for item in again} == {2}
    assert sorted([sent, *others, *held]) == sorted(names)
