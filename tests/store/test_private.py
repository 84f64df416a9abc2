"""Who can read the files of an SQLite database: its owner alone, whatever the umask, unless its owner said otherwise."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.store.rows import fill
from tests.store.scenes import raw_connection
from watcher.errors import StoreError
from watcher.store import schema
from watcher.store.backup import backup, restore
from watcher.store.copying import copy_database
from watcher.store.store import Store

pytestmark = pytest.mark.sqlite

NOW = datetime(2026, 1, 12, 5, 50, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _open_umask() -> Iterator[None]:
    """The usual one of a shell: everybody may read what it makes."""
    before = os.umask(0o022)
    yield
    os.umask(before)


def modes(folder: Path) -> dict[str, int]:
    return {path.name: stat.S_IMODE(path.stat().st_mode) for path in folder.iterdir()}


def copied(url: str) -> None:
    source = url.replace("hoarline.db", "source/other.db")
    Path(source.removeprefix("sqlite:///")).parent.mkdir()
    schema.upgrade(source)
    copy_database(source, url)


@pytest.mark.parametrize("make", [schema.upgrade, lambda url: Store.open(url).close(), copied])
def test_a_fresh_database_is_for_its_owner_alone(make: Callable[[str], object], tmp_path: Path) -> None:
    make(f"sqlite:///{tmp_path / 'hoarline.db'}")
    assert modes(tmp_path)["hoarline.db"] == 0o600


def test_its_journal_and_the_lock_of_its_leader_are_too(tmp_path: Path) -> None:
    store = Store.open(f"sqlite:///{tmp_path / 'hoarline.db'}")
    leadership = store.leadership()
    try:
        assert leadership.campaign() is not None
        ours = {name: mode for name, mode in modes(tmp_path).items() if name.startswith("hoarline.db")}
        assert ours == dict.fromkeys(("hoarline.db", "hoarline.db-wal", "hoarline.db-shm", "hoarline.db-leader"), 0o600)
    finally:
        leadership.resign()
        store.close()


def test_a_database_that_is_there_keeps_the_mode_that_its_owner_gave_it(tmp_path: Path) -> None:
    file = tmp_path / "hoarline.db"
    schema.upgrade(f"sqlite:///{file}")
    file.chmod(0o640)
    store = Store.open(f"sqlite:///{file}")
    try:
        fill(f"sqlite:///{file}")
        found = modes(tmp_path)
        assert found["hoarline.db"] == found["hoarline.db-wal"] == found["hoarline.db-shm"] == 0o640
    finally:
        store.close()
    assert modes(tmp_path)["hoarline.db"] == 0o640


def test_what_a_restore_puts_aside_is_for_its_owner_alone(tmp_path: Path) -> None:
    """Also of a database that an older program made, with the journal that a crash left."""
    url = f"sqlite:///{tmp_path / 'hoarline.db'}"
    schema.upgrade(url)
    saved = tmp_path / "copy.db"
    backup(url, saved)
    (tmp_path / "hoarline.db").chmod(0o644)
    connection = raw_connection(url)
    try:
        connection.execute("UPDATE alembic_version SET version_num = version_num")
        assert modes(tmp_path)["hoarline.db-wal"] == 0o644
        kept = restore(url, saved, now=NOW, replace=True)
    finally:
        connection.close()
    assert kept is not None
    found = {name: mode for name, mode in modes(tmp_path).items() if not name.endswith("-leader")}
    assert {name.removeprefix(kept.name) for name in found if name.startswith(kept.name)} >= {"", "-wal"}
    assert set(found.values()) == {0o600}


def test_a_folder_that_is_not_there_is_said_in_words(tmp_path: Path) -> None:
    with pytest.raises(
        StoreError, match=r"hoarline\.db: the database cannot be made; .* \(No such file or directory\)"
    ):
        schema.upgrade(f"sqlite:///{tmp_path / 'missing' / 'hoarline.db'}")
