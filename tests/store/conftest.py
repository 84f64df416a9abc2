"""A real database for each test."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.chosen import database_at
from watcher.store.store import Store


@pytest.fixture
def url(tmp_path: Path) -> str:
    return database_at(tmp_path / "hoarline.db")


@pytest.fixture
def store(url: str) -> Iterator[Store]:
    opened = Store.open(url)
    yield opened
    opened.close()
