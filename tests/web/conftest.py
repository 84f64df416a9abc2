"""A real database for each test, and a real server over it; the server stays up, the store is exchanged."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.async_api import Browser

from tests.chosen import database_at
from tests.web.board_scenes import Morning, judged, morning
from tests.web.browsing import browser
from tests.web.scenes import Site, Swapped, served
from watcher.outlook.night.model import Night
from watcher.store.store import Store


@pytest.fixture(scope="session")
def empty_database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("empty") / "hoarline.db"
    Store.open(f"sqlite:///{path}").close()
    return path


@pytest.fixture
def store(tmp_path: Path, empty_database: Path) -> Iterator[Store]:
    opened = Store.open(database_at(tmp_path / "hoarline.db", like=empty_database))
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


@pytest.fixture(scope="session")
def judged_morning(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Night]]:
    """Judge the invented morning once; each test gets a copy."""
    path = tmp_path_factory.mktemp("morning") / "hoarline.db"
    store = Store.open(f"sqlite:///{path}")
    try:
        return path, judged(store)
    finally:
        store.close()


@pytest.fixture
async def opened(tmp_path: Path, judged_morning: tuple[Path, dict[str, Night]]) -> AsyncIterator[Morning]:
    """The board on the invented morning, on a loopback address, with a store of its own."""
    source, by_station = judged_morning
    store = Store.open(database_at(tmp_path / "morning.db", like=source))
    try:
        async with morning(store, by_station) as board:
            yield board
    finally:
        store.close()


@pytest.fixture(scope="session")
async def chromium() -> AsyncIterator[Browser]:
    async with browser() as started:
        yield started
