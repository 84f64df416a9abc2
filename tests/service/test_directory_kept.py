"""Who is told what is read once, and again when somebody changed it: pages ask for it all the time."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.chosen import database_at
from watcher.clock import utc_now
from watcher.reports.station import Station
from watcher.service.manage import Management
from watcher.settings import Settings, load_settings
from watcher.store.store import Store


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    path = tmp_path / "hoarline.toml"
    path.write_text('[service]\ncontact = "duty@example.org"\n[mail]\nfrom = "Hoarline <hoarline@example.org>"\n')
    return load_settings(path, {})


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = Store.open(database_at(tmp_path / "hoarline.db"))
    yield opened
    opened.close()


def test_the_directory_is_read_again_only_when_somebody_changed_it(settings: Settings, store: Store) -> None:
    ours, theirs = (Management(settings, store, Station) for _ in range(2))
    desk = {"name": "desk", "kind": "email", "address": "desk@example.org"}
    before = ours.directory()
    assert ours.directory() is before
    theirs.add_destination(desk, None, utc_now())
    added = ours.directory()
    assert list(added.destinations) == ["desk"]
    assert ours.directory() is added
    store.disable_destination("desk", "refuses everything", utc_now())
    off = ours.directory().destinations["desk"].off
    assert off is not None
    assert off.reason == "refuses everything"
    store.enable_destination("desk")
    assert ours.directory().destinations["desk"].off is None
