"""One real PostgreSQL for the faults, and a database of it, or a file, for each test."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.databases import Cluster, cluster
from watcher.store import schema


@pytest.fixture(scope="session")
def server() -> Iterator[Cluster]:
    with cluster() as made:
        yield made


@pytest.fixture
def postgresql(server: Cluster) -> Iterator[str]:
    with server.database() as url:
        schema.upgrade(url)
        yield url


@pytest.fixture
def sqlite(tmp_path: Path) -> str:
    return f"sqlite:///{tmp_path / 'faults.db'}"


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest) -> str:
    found: str = request.getfixturevalue(request.param)
    return found
