"""Opens what the commands for subscriptions and destinations change: the settings' store, checked against them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from pathlib import Path

    from watcher.service.manage import Management
    from watcher.settings import Settings
    from watcher.store.store import Store


class Opened(NamedTuple):
    """The settings, their store, and what changes subscribers in it."""

    settings: Settings
    store: Store
    management: Management


@contextmanager
def opened(config: Path | None) -> Iterator[Opened]:
    """Open the store of the settings for as long as the block runs."""
    from watcher.cli.options import settings_from
    from watcher.service.manage import Management
    from watcher.stations import StationTable
    from watcher.store.store import Store

    settings = settings_from(config)
    store = Store.open(settings.text.store.url)
    try:
        stations = StationTable.load(settings.station_overrides())
        yield Opened(settings, store, Management(settings, store, stations.get))
    finally:
        store.close()
