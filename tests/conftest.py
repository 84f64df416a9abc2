"""What every test shares: one event loop kind, modest and repeatable searches, and no proxy from outside."""

from __future__ import annotations

import os

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile("house", max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("long", max_examples=2000, deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile(os.environ.get("HOARLINE_TEST_PROFILE", "house"))


@pytest.fixture(scope="session")
def anyio_backend() -> str:
    return "asyncio"


@pytest.fixture(autouse=True)
def _no_settings_from_the_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in list(os.environ):
        if name.startswith("HOARLINE_") and name != "HOARLINE_TEST_PROFILE":
            monkeypatch.delenv(name)
