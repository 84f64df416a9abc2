"""A real SQLite file for each test, and a real server over it; the server stays up, the store is exchanged."""

from __future__ import annotations

import shutil
from collections.abc import AsyncIterator, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from tests.web.scenes import Site, Swapped, served
from watcher.store.store import Store


@pytest.fixture(scope="session")
def empty_database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("empty") / "hoarline.db"
    Store.open(f"sqlite:///{path}").close()
    return path


@pytest.fixture
def store(tmp_path: Path, empty_database: Path) -> Iterator[Store]:
    path = tmp_path / "hoarline.db"
    shutil.copyfile(empty_database, path)
    opened = Store.open(f"sqlite:///{path}")
    yield opened
    opened.close()


@pytest.fixture(scope="module")
async def long_served() -> AsyncIterator[tuple[Swapped, Site]]:
    swapped = Swapped()
    async with served(swapped) as site:
        yield swapped, site


@pytest.fixture
async def site(store: Store, long_served: tuple[Swapped, Site]) -> Site:
    swapped, site = long_served
    swapped.store = store
    site.news.clear()
    return replace(site, store=store)
