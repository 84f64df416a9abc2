"""One real PostgreSQL for the faults, and a database of it, or a file, for each test."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import structlog

from tests.databases import Cluster, cluster
from watcher.store import schema


@pytest.fixture(autouse=True)
def _plain_logs() -> Iterator[None]:
    # As the service has them: drawing a trace with all its values takes seconds, in which nothing else goes on.
    structlog.configure(
        processors=[structlog.processors.format_exc_info, structlog.processors.KeyValueRenderer(key_order=["event"])]
    )
    yield
    structlog.reset_defaults()


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
