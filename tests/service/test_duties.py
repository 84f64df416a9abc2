"""What the leader does on its rounds: what ran out reached nobody, whatever was thinned beside it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import pytest

from watcher.service.duties import Duties
from watcher.store.model import Thinned
from watcher.telemetry import Metrics

pytestmark = pytest.mark.anyio
NOW = datetime(2026, 1, 12, 6, 0, tzinfo=UTC)


async def test_as_many_messages_that_run_out_as_are_thinned_are_noticed() -> None:
    """Rows are counted: two old ones go and two new ones come between one count and the next."""
    remembered, rows = [], [2]

    async def remember_told() -> None:
        remembered.append(rows[0])

    settings: Any = SimpleNamespace(text=SimpleNamespace(watch=SimpleNamespace(keep=timedelta(days=7))))
    store: Any = SimpleNamespace(
        outbox_counts=lambda: {"pending": 0, "expired": rows[0]},
        thin=lambda _before, _at_most: Thinned(0, 0, 0, 0, 0, 0, 0),
    )
    keeper: Any = SimpleNamespace(remember_told=remember_told)
    nobody: Any = None
    duties = Duties(settings, store, lambda: NOW, Metrics(), keeper, nobody, nobody, nobody, nobody)
    await duties._count_outbox()
    await duties._count_outbox()
    assert remembered == [2], "they are the same two"
    await duties.thin()
    await duties._count_outbox()
    assert remembered == [2, 2]
    rows[0] = 0
    await duties._count_outbox()
    rows[0] = 1
    await duties._count_outbox()
    assert remembered == [2, 2, 1]
