"""What only a server with several writers can get wrong: states torn apart, turns overtaken, limits passed, locks kept."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from threading import Barrier, Event
from time import monotonic, sleep
from typing import Any

import psycopg
import pytest
from sqlalchemy import event as listening
from sqlalchemy import func, select, text, update

from tests.chosen import database_on_server
from tests.store.scenes import LEASE, NOW, Owing, a_change, a_delivery, an_event
from tests.store.test_processes import heard_from, worker
from watcher.alerts.changes import Changes
from watcher.alerts.outbox import Settled
from watcher.errors import StoreConflict, StoreError
from watcher.store.database import Database
from watcher.store.store import Store
from watcher.store.tables import station_state

pytestmark = pytest.mark.slow


@pytest.fixture
def url(tmp_path: Path) -> str:
    return database_on_server(tmp_path / "hoarline.db")


@pytest.fixture
def store(url: str) -> Iterator[Store]:
    opened = Store.open(url)
    yield opened
    opened.close()


@pytest.fixture
def other(url: str) -> Iterator[Store]:
    opened = Store.open(url)
    yield opened
    opened.close()


@contextmanager
def held_before(store: Store, statement: str) -> Iterator[tuple[Event, Event]]:
    """Stop the next write of a store before a statement. Yields: it has come there; it may go on."""
    there, may_go = Event(), Event()

    def wait(_connection, _cursor, asked, *_rest) -> None:
        if asked.startswith(statement):
            there.set()
            assert may_go.wait(20)

    engine = store._database._writer
    listening.listen(engine, "before_cursor_execute", wait)
    try:
        yield there, may_go
    finally:
        may_go.set()
        listening.remove(engine, "before_cursor_execute", wait)


def a_turn(station: str) -> Changes:
    return Changes(NOW, (a_change(station, events=(an_event(f"{station}-1"),)),))


def test_a_read_sees_one_state_from_its_first_query_to_its_last(url: str, store: Store) -> None:
    database = Database(url)
    count = select(func.count()).select_from(station_state)
    with database.read() as connection:
        assert connection.execute(count).scalar_one() == 0
        store.commit(Changes(NOW, (a_change(),)))
        assert connection.execute(count).scalar_one() == 0
    with database.read() as connection:
        assert connection.execute(count).scalar_one() == 1
    database.close()


def test_what_reads_cannot_write(url: str) -> None:
    database = Database(url)
    with pytest.raises(StoreError, match="may only be read"), database.read() as connection:
        connection.execute(text("DELETE FROM kept"))
    with database.write() as connection:
        connection.execute(text("DELETE FROM kept"))
    database.close()


def test_events_become_visible_in_the_order_of_their_numbers(store: Store, other: Store) -> None:
    """A follower that has seen number 2 never asks for number 1 again."""
    with ThreadPoolExecutor() as pool, held_before(store, "NOTIFY") as (there, may_go):
        first = pool.submit(store.commit, a_turn("XNOR"))
        assert there.wait(20)
        second = pool.submit(other.commit, a_turn("XBAY"))
        sleep(0.5)
        assert not second.done()
        assert other.events_after(0, 9) == ()
        may_go.set()
        first.result(20)
        second.result(20)
    assert [(number, item.subject_id) for number, item in store.events_after(0, 9)] == [(1, "XNOR-1"), (2, "XBAY-1")]


def test_claims_and_outcomes_go_on_while_a_turn_is_written(store: Store, other: Store) -> None:
    names = Owing(store).owe("XFEL-1", "desk")
    with ThreadPoolExecutor() as pool, held_before(store, "NOTIFY") as (there, may_go):
        writing = pool.submit(store.commit, a_turn("XNOR"))
        assert there.wait(20)
        (claimed,) = other.claim(NOW, limit=9, lease=LEASE, per_destination=9)
        other.settle([Settled(claimed.id, "sent")], NOW)
        assert (claimed.id,) == names
        may_go.set()
        writing.result(20)


def test_a_new_leader_does_not_begin_before_the_last_write_of_the_old_one_is_over(url: str) -> None:
    """The lock of the old leader is lost in the middle of its turn; what it writes still counts, and is loaded."""
    old, new = Store.open(url), Store.open(url)
    first, second = old.leadership(), new.leadership()
    term = first.campaign()
    with ThreadPoolExecutor() as pool, held_before(old, "NOTIFY") as (there, may_go):
        writing = pool.submit(old.commit, a_turn("XNOR"), term)
        assert there.wait(20)
        first.resign()
        electing = pool.submit(second.campaign)
        sleep(0.5)
        assert not electing.done()
        may_go.set()
        writing.result(20)
        assert electing.result(20) == 2
    assert new.versions() == {"XNOR": 1}
    second.resign()
    old.close()
    new.close()


def test_a_process_that_hangs_inside_a_turn_keeps_nobody_out_for_long(url: str) -> None:
    with worker("commit_and_wait_inside", f"{url}&timeout=1", "commit") as process:
        assert heard_from(process) == "inside"
        mine = Store.open(f"{url}&timeout=1")
        begun, refused = monotonic(), 0
        while True:
            try:
                mine.commit(a_turn("XBAY"))
                break
            except StoreError as error:
                assert "did not finish in time" in str(error)  # noqa: PT017 - after how many of these?
                refused += 1
                assert monotonic() - begun < 20
        assert refused >= 1
        assert mine.versions() == {"XNOR": 1, "XBAY": 1}, "of its second turn nothing is left"
        mine.close()


@pytest.mark.parametrize("claimers", [2, 4])
def test_all_senders_together_heed_how_much_a_destination_takes_at_once(url: str, store: Store, claimers: int) -> None:
    owing = Owing(store)
    for number in range(40):
        owing.owe(f"XNOR-{number}", "desk", "room")
    stores = [Store.open(url) for _ in range(claimers)]
    barrier = Barrier(claimers)

    def claim(mine: Store) -> list[str]:
        barrier.wait(20)
        return [item.id for item in mine.claim(NOW, limit=99, lease=LEASE, per_destination=3)]

    with ThreadPoolExecutor(claimers) as pool:
        claimed = [name for names in pool.map(claim, stores) for name in names]
    assert len(claimed) == len(set(claimed)) == 6
    assert store.outbox_counts()["leased"] == 6
    for opened in stores:
        opened.close()


def test_a_claim_reads_few_rows_however_many_are_due(url: str, store: Store) -> None:
    """The server's own account is the judge: it takes the first from the index, and looks up only what comes before those."""
    events = tuple(an_event(f"XNOR-{number}") for number in range(1000))
    owed = tuple(a_delivery(name, item) for item in events for name in ("desk", "room", "pad"))
    store.commit(Changes(NOW, (a_change(events=events),), owed))
    asked: list[tuple[str, object]] = []

    def note(_connection: object, _cursor: object, sql: str, values: object, *_: object) -> None:
        asked.append((sql, values))

    listening.listen(store._database._writer, "before_cursor_execute", note)
    assert len(store.claim(NOW, limit=6, lease=LEASE, per_destination=9)) == 6
    with store._database.write() as connection:
        connection.execute(text("ANALYZE"))
        questions = [(sql, values) for sql, values in asked if sql.startswith(("SELECT asked", "WITH RECURSIVE"))]
        assert len(questions) == 2
        driver = connection.connection.driver_connection
        for sql, values in questions:
            (account,) = driver.execute(f"EXPLAIN (ANALYZE, FORMAT JSON) {sql}", values).fetchone()
            assert most_rows(account[0]["Plan"]) <= 20


def test_a_server_keeps_the_statements_of_claims(store: Store) -> None:
    """Its own account of this connection is the judge: they are prepared there, also after contents were read."""
    owing = Owing(store)
    for number in range(12):
        owing.owe(f"XNOR-{number}", "desk")
    for _ in range(12):
        (claimed,) = store.claim(NOW, limit=1, lease=LEASE, per_destination=99)
        store.settle([Settled(claimed.id, "sent")], NOW)
    with store._database.write() as connection:
        found = connection.execute(text("SELECT statement FROM pg_prepared_statements"))
        kept = [statement for (statement,) in found]
    for begin in ("WITH RECURSIVE", "SELECT asked", "UPDATE delivery SET state", "SELECT delivery_event"):
        assert any(statement.startswith(begin) for statement in kept), begin


def most_rows(plan: dict[str, Any]) -> float:
    """Return how many rows any step of a plan gave at once or threw away."""
    seen = plan["Actual Rows"] + plan.get("Rows Removed by Filter", 0) + plan.get("Rows Removed by Join Filter", 0)
    return max([seen, *(most_rows(step) for step in plan.get("Plans", ()))])


def test_two_that_owe_the_same_at_the_same_moment_owe_it_once(store: Store, other: Store) -> None:
    barrier = Barrier(2)

    def owe(mine: Store, changes: Changes) -> None:
        barrier.wait(20)
        mine.commit(changes)

    for number in range(8):
        item = an_event(f"XNOR-{number}")
        store.commit(Changes(NOW, (a_change(version=number, events=(item,)),)))
        changes = Changes(NOW, deliveries=(a_delivery("desk", item), a_delivery("room", item)))
        with ThreadPoolExecutor(2) as pool:
            for done in [pool.submit(owe, mine, changes) for mine in (store, other)]:
                done.result(20)
    assert store.outbox_counts()["pending"] == 16


def test_of_two_that_wait_for_each_other_one_is_told_to_begin_again(url: str, store: Store) -> None:
    store.commit(Changes(NOW, (a_change("XNOR"), a_change("XBAY"))))
    barrier, told = Barrier(2), list[type[Exception]]()

    def write(*codes: str) -> None:
        database = Database(url)
        try:
            with database.write() as connection:
                for code in codes:
                    connection.execute(update(station_state).where(station_state.c.station == code).values(seq=9))
                    if code == codes[0]:
                        barrier.wait(20)
        except StoreError as error:
            told.append(type(error))
        finally:
            database.close()

    threads = [threading.Thread(target=write, args=codes) for codes in (("XNOR", "XBAY"), ("XBAY", "XNOR"))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert told == [StoreConflict]


def test_a_server_notices_when_the_machine_of_a_leader_is_gone(url: str) -> None:
    """A lost machine says nothing. The server asks within seconds whether it lives, not after its usual two hours.

    On a unix socket the machine is the server's own, and PostgreSQL shows 0 for these; so this reads what was asked for.
    """
    database = Database(f"{url}&timeout=2")
    connection: psycopg.Connection = database.own_connection()
    asked = (
        "SELECT name, setting FROM pg_settings WHERE name IN ('lock_timeout', 'idle_in_transaction_session_timeout')"
    )
    assert dict(connection.execute(asked).fetchall()) == {
        "lock_timeout": "2000",
        "idle_in_transaction_session_timeout": "6000",
    }
    sources = "SELECT name, source FROM pg_settings WHERE name LIKE 'tcp_%' ORDER BY name"
    assert {source for _, source in connection.execute(sources)} == {"session"}
    connection.close()
    database.close()
