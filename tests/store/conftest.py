"""A real SQLite file for each test."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from watcher.store.store import Store


@pytest.fixture
def url(tmp_path: Path) -> str:
    return f"sqlite:///{tmp_path / 'hoarline.db'}"


@pytest.fixture
def store(url: str) -> Iterator[Store]:
    opened = Store.open(url)
    yield opened
    opened.close()
