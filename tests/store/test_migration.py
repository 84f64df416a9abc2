"""A database that the first program wrote goes on under this one: nothing owed is lost, nothing told is forgotten.

`schema-0001.sql` is the dump of a file that the program of schema 0001 wrote through its own store: two episodes, one
of them over, a blind station, and messages in every state.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import Engine, event, inspect

from tests.store.scenes import MINUTE, NOW, Owing, after, an_event, claim, everything, is_sound, raw_connection
from watcher.alerts.model import EventType
from watcher.alerts.outbox import Claimed, Item, Settled, Told
from watcher.errors import SchemaError, StoreError
from watcher.rulebook.words import Kind, Level
from watcher.store.model import Disabled, SchemaState
from watcher.store.schema import schema_status, upgrade
from watcher.store.store import Store
from watcher.store.tables import metadata

pytestmark = pytest.mark.sqlite

DUMP = Path(__file__).with_name("schema-0001.sql")
# Message, state, attempts, when due, when settled, as the dump has them.
MESSAGES = [
    ("msg_XNOR-1.1_desk", "sent", 1, NOW, after(1)),
    ("msg_XNOR-1.1_room", "dead", 1, NOW, after(1)),
    ("msg_XNOR-1.1_pad", "expired", 0, NOW, after(5)),
    ("msg_XNOR-2.1_desk", "sent", 1, NOW, after(1)),
    ("msg_XNOR-1.2_desk", "pending", 1, after(25), None),
    ("msg_XNOR-1.2_room", "leased", 2, after(5), None),
    ("msg_XNOR-2.2_desk", "pending", 1, after(6), None),
    ("msg_XBAY.1_desk", "pending", 0, after(6), None),
    ("msg_XBAY.1_room", "leased", 1, after(6), None),
    ("msg_XNOR-1.3_desk", "pending", 0, after(10), None),
    ("msg_XNOR-1.3_room", "pending", 0, after(10), None),
]
# What the first program itself read back from that file, with the event's number and time.
TOLD = {
    ("desk", "XNOR-1"): Told("desk", "XNOR-1", EventType.LOWERED, Level.TREAT, Kind.OBSERVED, 3, after(10)),
    ("room", "XNOR-1"): Told("room", "XNOR-1", EventType.LOWERED, Level.TREAT, Kind.OBSERVED, 3, after(10)),
    ("desk", "XBAY"): Told("desk", "XBAY", EventType.BLIND, None, None, 1, after(6)),
    ("room", "XBAY"): Told("room", "XBAY", EventType.BLIND, None, None, 1, after(6)),
}


@pytest.fixture
def old_url(url: str) -> str:
    connection = raw_connection(url)
    connection.executescript(DUMP.read_text())
    connection.close()
    return url


@pytest.fixture
def upgraded(old_url: str) -> Iterator[Store]:
    upgrade(old_url)
    store = Store.open(old_url)
    yield store
    store.close()


def test_the_old_file_is_refused_until_it_is_upgraded(old_url: str) -> None:
    before = everything(old_url)
    with pytest.raises(SchemaError, match="hoarline db upgrade"):
        Store.open(old_url)
    assert everything(old_url) == before
    was, is_ = upgrade(old_url)
    assert (was.state, was.revision) == (SchemaState.OLDER, "0001")
    assert is_.state is schema_status(old_url).state is SchemaState.CURRENT


def test_every_message_keeps_its_name_its_order_and_how_it_stands(upgraded: Store) -> None:
    found = list(reversed(upgraded.deliveries(99)))
    assert [(each.id, each.state.value, each.attempts, each.due_at, each.settled_at) for each in found] == MESSAGES
    assert {f"msg_{line.event_id}_{each.destination}" for each in found for line in each.told} == {
        message[0] for message in MESSAGES
    }
    assert [(each.last_error, each.lease_until) for each in found[1:6]] == [
        ("refused: no such room", None),
        (None, None),
        (None, None),
        ("no answer", None),
        (None, after(30)),
    ]
    assert found[1].made_at == after(1), "of what is over only the end was kept"
    assert found[4].made_at == after(5), "not the time of its next try"


def test_what_everyone_was_told_is_not_forgotten(upgraded: Store) -> None:
    assert upgraded.told(after(11)) == TOLD
    (off,) = upgraded.disabled_destinations().values()
    assert off == Disabled("old-room", "410 Gone", after(10))


def test_what_is_owed_is_sent_in_its_order(upgraded: Store) -> None:
    def claimed(minutes: int) -> list[Claimed]:
        """Claim for as long as the first program did: what others have in hand is theirs for no longer than that."""
        return list(upgraded.claim(after(minutes), limit=9, lease=25 * MINUTE, per_destination=4))

    (ending, blind) = claimed(11)
    assert ending.items[0].told_as is EventType.CLOSED
    assert blind.items == (Item(an_event("XBAY", 1, EventType.BLIND, after(6)), EventType.BLIND, None, "XBAY"),)
    upgraded.settle([Settled(ending.id, "sent"), Settled(blind.id, "sent")], after(11))
    for minutes, names in ((24, []), (25, ["msg_XNOR-1.2_desk"]), (26, ["msg_XNOR-1.3_desk"])):
        found = [each.id for each in claimed(minutes)]
        assert found == names
        upgraded.settle([Settled(name, "sent") for name in found], after(minutes))
    assert [each.id for each in claimed(30)] == ["msg_XNOR-1.2_room", "msg_XBAY.1_room"], "their leases ran out"


def test_what_is_new_comes_after_what_was_owed(upgraded: Store) -> None:
    owing = Owing(upgraded, {"XNOR": 4}, {"XNOR-1": 3})
    (name,) = owing.owe("XNOR-1", "desk", at=after(12))
    assert upgraded.deliveries(1)[0].id == name
    sent: list[str] = []
    while claimed := claim(upgraded, after(30), skip=["room"]):
        upgraded.settle([Settled(each, "sent") for each in claimed], after(30))
        sent.extend(claimed)
    assert [each for each in sent if "XNOR-1." in each] == ["msg_XNOR-1.2_desk", "msg_XNOR-1.3_desk", name]


def test_what_the_judgement_knows_is_carried_over_as_it_was(old_url: str) -> None:
    before = everything(old_url)
    upgrade(old_url)
    now = everything(old_url)
    for table in ("report", "unreadable", "station_state", "event"):
        assert now[table] == before[table] != [], table
    assert now["destination_state"] == [(*row, 0) for row in before["destination_state"]] != [], "the operator's choice"
    assert now["episode"] == [(*row, None) for row in before["episode"]], "taken by nobody"
    store = Store.open(old_url)
    (open_now,) = store.episodes(open_only=True)
    assert (open_now.id, open_now.seq, open_now.taken, len(open_now.holds)) == ("XNOR-1", 3, None, 1)
    assert len(store.episodes(open_only=False)) == 2
    store.close()


def test_references_are_whole_and_watched(upgraded: Store, old_url: str) -> None:
    """SQLite itself is the judge: a line goes with its message, and belongs to one."""
    upgraded.close()
    assert is_sound(old_url)
    connection = raw_connection(old_url)
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("DELETE FROM delivery WHERE id = 'msg_XNOR-1.1_desk'")
    assert connection.execute("SELECT count(*) FROM delivery_event").fetchone() == (len(MESSAGES) - 1,)
    with pytest.raises(sqlite3.IntegrityError, match="FOREIGN KEY"):
        connection.execute("UPDATE delivery_event SET delivery_id = 'msg_nobody'")
    with pytest.raises(sqlite3.IntegrityError, match="FOREIGN KEY"):
        connection.execute("DELETE FROM event WHERE id = 'XNOR-1.3'")
    connection.close()


def test_the_upgraded_file_has_the_tables_of_the_program(upgraded: Store) -> None:
    """Alembic compares the columns, SQLAlchemy's inspector the names of keys and indexes."""
    with upgraded._database.read() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, metadata) == []
        inspector = inspect(connection)
        assert set(inspector.get_table_names()) == {*metadata.tables, "alembic_version"}
        for table in metadata.sorted_tables:
            found = [
                inspector.get_pk_constraint(table.name),
                *inspector.get_unique_constraints(table.name),
                *inspector.get_foreign_keys(table.name),
                *inspector.get_indexes(table.name),
            ]
            wanted = {key.name for key in table.constraints} | {index.name for index in table.indexes}
            if table.dialect_options["sqlite"]["autoincrement"]:
                wanted.remove(table.primary_key.name)
                wanted.add(None)
            assert {each["name"] for each in found} == wanted, table.name


@pytest.mark.parametrize("where", ["DROP TABLE delivery", "INSERT INTO delivery_event", "CREATE TABLE kept"])
def test_an_upgrade_that_fails_leaves_the_old_file_as_it_was(old_url: str, where: str) -> None:
    before = everything(old_url)

    def fail(_connection: object, _cursor: object, statement: str, *_: Any) -> None:
        if statement.strip().startswith(where):
            raise sqlite3.OperationalError("disk I/O error")

    event.listen(Engine, "before_cursor_execute", fail)
    try:
        with pytest.raises(StoreError, match="disk failed"):
            upgrade(old_url)
    finally:
        event.remove(Engine, "before_cursor_execute", fail)
    assert everything(old_url) == before
    assert schema_status(old_url).state is SchemaState.OLDER
    upgrade(old_url)
    assert is_sound(old_url)
