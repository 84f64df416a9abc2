"""A database is moved to another kind and back: every row of every table, the numbers go on, all of it or nothing."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from itertools import count
from pathlib import Path

import pytest
from sqlalchemy import delete, insert, text

from tests.databases import Cluster, cluster, postgres_is_here
from tests.store.rows import a_leading_service, a_row, content, fill
from tests.store.scenes import is_sound
from watcher.errors import SchemaError, StoreError
from watcher.store import copying, schema
from watcher.store.copying import copy_database
from watcher.store.database import Database
from watcher.store.store import Store
from watcher.store.tables import event, metadata, report

ROOT = Path(__file__).parents[2]
_UNUSED = count(900)
BOTH = [pytest.param("postgresql", marks=pytest.mark.slow), "sqlite"]


@pytest.fixture(scope="module")
def server() -> Iterator[Cluster]:
    if not postgres_is_here():
        pytest.skip("there is no PostgreSQL here")
    with cluster() as started:
        yield started


@pytest.fixture
def source(tmp_path: Path) -> str:
    url = f"sqlite:///{tmp_path / 'hoarline.db'}"
    schema.upgrade(url)
    return url


@pytest.fixture(params=BOTH)
def target(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'other.db'}"
        return
    with request.getfixturevalue("server").database() as url:
        yield url


def next_number(url: str) -> int:
    """Return the number that the next event gets."""
    database = Database(url)
    row = {key: value for key, value in a_row(event, next(_UNUSED)).items() if key != "number"}
    try:
        with database.write() as connection:
            return connection.execute(insert(event), row).inserted_primary_key[0]
    finally:
        database.close()


def remove_last_event(url: str) -> None:
    database = Database(url)
    with database.write() as connection:
        connection.execute(text("DELETE FROM delivery_event"))
        connection.execute(delete(event).where(event.c.number == 3))
    database.close()


def test_every_row_of_every_table_arrives_as_it_was(source, target):
    counts = fill(source)
    assert set(counts) == set(metadata.tables), "every table is filled"
    assert copy_database(source, target) == counts
    assert content(target) == content(source)
    Store.open(target, create=False).close()


def test_it_comes_back_from_there_as_it_was(source, target, tmp_path):
    fill(source)
    home = f"sqlite:///{tmp_path / 'home.db'}"
    copy_database(source, target)
    copy_database(target, home)
    assert content(home) == content(source)
    assert is_sound(home)


def test_more_rows_than_one_portion_arrive(source, target, monkeypatch):
    monkeypatch.setattr(copying, "_PORTION", 10)
    fill(source, rows=57)
    assert copy_database(source, target)["report"] == 57
    assert content(target) == content(source)


def test_numbers_go_on_and_that_of_a_removed_event_is_not_given_again(source, target, tmp_path):
    fill(source)
    remove_last_event(source)
    copy_database(source, target)
    assert next_number(target) == 4
    home = f"sqlite:///{tmp_path / 'home.db'}"
    copy_database(target, home)
    assert next_number(home) == 5


def test_an_empty_database_is_copied_and_begins_at_one(source, target):
    assert set(copy_database(source, target).values()) == {0}
    assert next_number(target) == 1


def test_a_target_with_rows_is_refused_and_left_as_it_was(source, target):
    fill(source)
    copy_database(source, target)
    before = content(target)
    with pytest.raises(StoreError, match=r"is not empty \(.*report.*\); name a fresh database"):
        copy_database(source, target)
    assert content(target) == before


def test_a_failure_in_the_middle_leaves_nothing_and_the_next_attempt_succeeds(source, target, monkeypatch):
    fill(source)
    copy_rows = copying._copy_rows

    def fails_late(reading, writing, table):
        if table is metadata.sorted_tables[-1]:
            raise StoreError("the line was cut")
        return copy_rows(reading, writing, table)

    monkeypatch.setattr(copying, "_copy_rows", fails_late)
    with pytest.raises(StoreError, match="the line was cut"):
        copy_database(source, target)
    assert not any(content(target).values())
    monkeypatch.undo()
    copy_database(source, target)
    assert content(target) == content(source)


@pytest.mark.slow
def test_what_the_other_kind_cannot_hold_is_said_and_nothing_is_kept(source, server):
    """PostgreSQL holds the length of a column to its promise, SQLite does not."""
    fill(source)
    database = Database(source)
    with database.write() as connection:
        connection.execute(text("UPDATE report SET station = 'LONGERTHANEIGHT'"))
    database.close()
    with server.database() as target:
        with pytest.raises(StoreError, match="too long"):
            copy_database(source, target)
        assert not any(content(target).values())


def test_while_a_service_leads_it_is_refused(source, target):
    fill(source)
    with a_leading_service(source), pytest.raises(StoreError, match="a service leads here; stop it first"):
        copy_database(source, target)
    assert copy_database(source, target)["report"] == 3


def test_no_service_leads_while_it_runs_and_one_does_afterwards(source, target, monkeypatch):
    fill(source)
    store = Store.open(source)
    leadership = store.leadership()
    led = []
    monkeypatch.setattr(copying, "_keep_others_out", lambda _writing: led.append(leadership.campaign()))
    copy_database(source, target)
    assert led == [None]
    assert leadership.campaign() is not None
    leadership.resign()
    store.close()


def test_with_force_it_copies_beside_a_leading_service(source, target):
    counts = fill(source)
    with a_leading_service(source) as leadership:
        assert sum(copy_database(source, target, force=True).values()) == sum(counts.values()) + 1, "the term"
        assert leadership.holds()


@pytest.mark.slow
def test_from_postgresql_it_is_refused_while_a_service_leads_there(source, server, tmp_path):
    with server.database() as url:
        copy_database(source, url)
        with a_leading_service(url), pytest.raises(StoreError, match="a service leads here"):
            copy_database(url, f"sqlite:///{tmp_path / 'home.db'}")


def test_a_source_that_is_not_there_is_not_made(tmp_path, target):
    with pytest.raises(StoreError, match="there is no database yet"):
        copy_database(f"sqlite:///{tmp_path / 'missing.db'}", target)
    assert not (tmp_path / "missing.db").exists()


def test_tables_of_another_program_are_refused(source, tmp_path):
    other = f"sqlite:///{tmp_path / 'foreign.db'}"
    database = Database(other)
    with database.write() as connection:
        connection.execute(text("CREATE TABLE invoice (id INTEGER)"))
    database.close()
    with pytest.raises(SchemaError, match="tables of another program"):
        copy_database(source, other)


def test_the_real_command_copies_and_names_no_password(source, target):
    fill(source)
    done = subprocess.run(
        [sys.executable, "-m", "watcher.cli", "db", "copy", source, target],
        capture_output=True, text=True, cwd=ROOT, env=os.environ | {"PGPASSWORD": "hush-hush"}, check=False, timeout=60,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.splitlines()[-1].startswith(f"{3 * len(metadata.tables)} rows copied")
    assert content(target) == content(source)
    again = subprocess.run(
        [sys.executable, "-m", "watcher.cli", "db", "copy", source, target],
        capture_output=True, text=True, cwd=ROOT, check=False, timeout=60,
    )  # fmt: skip
    assert again.returncode == 1
    assert "is not empty" in again.stderr
    assert "Traceback" not in again.stderr


@pytest.mark.slow
def test_a_killed_copy_leaves_nothing_behind(source, server):
    fill(source, rows=4_000)
    with server.database() as target:
        schema.upgrade(target)
        process = subprocess.Popen([sys.executable, "-m", "watcher.cli", "db", "copy", source, target], cwd=ROOT)
        database = Database(target)
        try:
            with database.read() as connection:
                connection.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL READ COMMITTED")
                held = text(
                    "SELECT count(*) FROM pg_locks WHERE mode = 'ExclusiveLock' AND relation = 'report'::regclass"
                )
                while connection.execute(held).scalar_one() == 0:
                    assert process.poll() is None
        finally:
            process.kill()
            process.wait()
            database.close()
        assert not any(content(target).values())
        assert copy_database(source, target)[report.name] == 4_000
