"""The schema: made when there is none, refused when it is another, changed only by migrations."""

from __future__ import annotations

import sqlite3
from importlib.resources import files
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

from tests.store.scenes import everything, is_sound, raw_connection
from watcher.errors import SchemaError, StoreError
from watcher.store import schema
from watcher.store.model import SchemaState
from watcher.store.schema import REVISION, schema_status, upgrade
from watcher.store.store import Store
from watcher.store.tables import metadata

pytestmark = pytest.mark.sqlite


def set_revision(url: str, revision: str) -> None:
    connection = raw_connection(url)
    connection.execute("UPDATE alembic_version SET version_num = ?", (revision,))
    connection.close()


def test_a_fresh_file_makes_itself_as_this_program_needs_it(url: str) -> None:
    assert schema_status(url).state is SchemaState.EMPTY
    store = Store.open(url)
    assert store.schema_status().state is SchemaState.CURRENT
    assert store.schema_status().revision == REVISION
    store.check()
    store.close()
    assert is_sound(url)


def test_an_empty_file_is_a_fresh_file(url: str, tmp_path: Path) -> None:
    (tmp_path / "hoarline.db").touch()
    Store.open(url).close()
    assert schema_status(url).state is SchemaState.CURRENT


def test_the_migrations_make_exactly_the_tables_of_the_program(store: Store) -> None:
    """Alembic's own comparison is the judge."""
    with store._database.read() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, metadata) == []


def test_the_needed_revision_is_the_last_migration() -> None:
    scripts = ScriptDirectory(str(files("watcher.store") / "migrations"))
    assert scripts.get_heads() == [REVISION]


def test_an_older_schema_is_refused_with_the_way_out(url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    Store.open(url).close()
    before = everything(url)
    monkeypatch.setattr(schema, "REVISION", "0999")
    with pytest.raises(SchemaError, match="hoarline db upgrade"):
        Store.open(url)
    assert schema_status(url).state is SchemaState.OLDER
    assert everything(url) == before


def test_a_newer_schema_is_refused_and_left_alone(url: str) -> None:
    Store.open(url).close()
    set_revision(url, "0999")
    with pytest.raises(SchemaError, match="newer program"):
        Store.open(url)
    with pytest.raises(SchemaError, match="newer program"):
        upgrade(url)
    assert schema_status(url).state is SchemaState.NEWER


def test_a_file_of_another_program_is_not_touched(url: str, tmp_path: Path) -> None:
    connection = raw_connection(url)
    connection.execute("CREATE TABLE invoice (id INTEGER)")
    connection.close()
    before = (tmp_path / "hoarline.db").read_bytes()
    with pytest.raises(SchemaError, match="another program"):
        Store.open(url)
    with pytest.raises(SchemaError, match="another program"):
        upgrade(url)
    assert schema_status(url).state is SchemaState.FOREIGN
    assert (tmp_path / "hoarline.db").read_bytes() == before


def test_upgrading_twice_changes_nothing(url: str) -> None:
    before, now = upgrade(url)
    assert (before.state, now.state) == (SchemaState.EMPTY, SchemaState.CURRENT)
    rows = everything(url)
    before, now = upgrade(url)
    assert before == now
    assert everything(url) == rows


def test_a_migration_that_fails_leaves_the_old_schema(url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail_halfway(connection: object) -> None:
        connection.exec_driver_sql("CREATE TABLE half (id INTEGER)")  # type: ignore[attr-defined]
        raise sqlite3.OperationalError("disk I/O error")

    monkeypatch.setattr(schema, "_migrate", fail_halfway)
    with pytest.raises(StoreError, match="disk failed"):
        upgrade(url)
    assert everything(url) == {}
    monkeypatch.undo()
    Store.open(url).close()


def test_without_leave_to_create_a_missing_file_stays_missing(url: str, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no database yet"):
        Store.open(url, create=False)
    assert list(tmp_path.iterdir()) == []
    Store.open(url).close()
    Store.open(url, create=False).close()


def test_the_database_remembers_that_readers_and_the_writer_do_not_wait_for_each_other(store: Store, url: str) -> None:
    connection = raw_connection(url)
    assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    connection.close()
    with store._database.read() as reader, store._database.write() as writer:
        for each in (reader, writer):
            assert each.exec_driver_sql("PRAGMA synchronous").scalar() == 2, "FULL"
            assert each.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1
