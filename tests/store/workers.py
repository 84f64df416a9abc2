"""Other processes at the same database. Each says what it did, line by line, and may be killed at any point.

python -m tests.store.workers WORK URL [WHERE]
"""

from __future__ import annotations

import sys

from sqlalchemy import event

from tests.store.scenes import LEASE, NOW, a_change, a_delivery, an_event, heard
from watcher.alerts.changes import Changes
from watcher.alerts.outbox import Settled
from watcher.store.model import StoredSubscription
from watcher.store.store import Store

REPORTS = 50


def say(line: str) -> None:
    print(line, flush=True)


def a_turn(version: int) -> Changes:
    """Return a turn that leaves rows in every table; how many tells which turns were committed."""
    event_ = an_event("XNOR-1", version + 1)
    texts = (f"METAR XNOR 120550Z 00000KT 9999 OVC020 01/M02 Q1021 RMK {version:04d}{n:03d}" for n in range(REPORTS))
    change = a_change("XNOR", version, reports=tuple(heard(text) for text in texts), events=(event_,))
    return Changes(NOW, (change,), (a_delivery("desk", event_),), unreadable=(heard(f"unreadable {version}"),))


def commit_turns(url: str) -> None:
    store = Store.open(url)
    version = store.load([a_change().after.station], now=NOW)["XNOR"].state.version
    while True:
        store.commit(a_turn(version))
        version += 1
        say(f"committed {version}")


def commit_and_wait_inside(url: str, where: str) -> None:
    """Commit the first turn, then stop inside the second: before a statement, or before the transaction's end."""
    store = Store.open(url)
    store.commit(a_turn(0))

    def wait(*arguments: object) -> None:
        if where == "commit" or str(arguments[2]).startswith(where):
            say("inside")
            sys.stdin.read()

    name = "commit" if where == "commit" else "before_cursor_execute"
    event.listen(store._database._writer, name, wait)
    store.commit(a_turn(1))


def send_all(url: str) -> None:
    """Claim and settle until nothing is left; say every claimed id."""
    store = Store.open(url)
    say("ready")
    sys.stdin.readline()
    while claimed := store.claim(NOW, limit=7, lease=LEASE, per_destination=3):
        for item in claimed:
            say(item.id)
        store.settle([Settled(item.id, "sent") for item in claimed], NOW)
    store.close()


def claim_and_wait(url: str, limit: str) -> None:
    store = Store.open(url)
    claimed = store.claim(NOW, limit=int(limit), lease=LEASE, per_destination=100)
    say(" ".join(item.id for item in claimed))
    sys.stdin.read()


def open_fresh(url: str, station: str) -> None:
    say("ready")
    sys.stdin.readline()
    store = Store.open(url)
    store.commit(Changes(NOW, (a_change(station),)))
    store.close()
    say("done")


def take(url: str, by: str) -> None:
    """Take ten episodes in hand, one after the other; say who has each."""
    store = Store.open(url)
    say("ready")
    sys.stdin.readline()
    for number in range(1, 11):
        taken = store.acknowledge(f"XNOR-{number}", by=by, note="", now=NOW)
        assert taken is not None
        say(f"{taken.acknowledgement.by} {taken.fresh}")
    store.close()


def make_key(url: str, name: str) -> None:
    """Say the key that links are signed with, and add ten subscriptions."""
    store = Store.open(url)
    say("ready")
    sys.stdin.readline()
    say(store.link_key().hex())
    for number in range(10):
        store.put_subscription(StoredSubscription(f"{name}-{number}", "{}", False, NOW, NOW))
    store.close()
    say("done")


if __name__ == "__main__":
    work, *arguments = sys.argv[1:]
    {
        "commit_turns": commit_turns,
        "commit_and_wait_inside": commit_and_wait_inside,
        "send_all": send_all,
        "claim_and_wait": claim_and_wait,
        "open_fresh": open_fresh,
        "take": take,
        "make_key": make_key,
    }[work](*arguments)
