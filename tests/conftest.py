"""What every test shares: one event loop kind, modest and repeatable searches, and no proxy from outside."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, settings

from tests import chosen

# CI judges a change and not its luck: the same examples at every run. At a desk every run looks somewhere else.
settings.register_profile(
    "house",
    max_examples=100,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    derandomize="CI" in os.environ,
)
settings.register_profile("long", max_examples=2000, deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile(os.environ.get("HOARLINE_TEST_PROFILE", "house"))


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "sqlite: about SQLite's files alone; left out where tests run on PostgreSQL")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if chosen.ON_POSTGRESQL:
        left_out = [item for item in items if item.get_closest_marker("sqlite") is not None]
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if item not in left_out]


def pytest_unconfigure() -> None:
    chosen.stop()


@pytest.fixture(autouse=True)
def _databases_of_this_test_alone() -> Iterator[None]:
    before = chosen.databases()
    yield
    chosen.drop_databases_but(before)


@pytest.fixture(scope="session")
def anyio_backend() -> str:
    return "asyncio"


@pytest.fixture(autouse=True)
def _no_settings_from_the_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in list(os.environ):
        if name.startswith("HOARLINE_") and name != "HOARLINE_TEST_PROFILE":
            monkeypatch.delenv(name)
