"""The stations as another process judges them, for pages on a machine that does not: read again when they change."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from types import MappingProxyType

from watcher.alerts.model import StationView
from watcher.outlook.night.model import Night
from watcher.reports.model import Report
from watcher.service.cycle import Watch
from watcher.store.store import Store

Hear = Callable[[], None]


class Following:
    """The views of a store that somebody else writes.

    The frost forecasts are not in the store: they are computed here too, and kept beside the views.

    Parameters
    ----------
    store, watch
        What is read, and of which stations.
    clock
        The present.
    """

    def __init__(self, store: Store, watch: Watch, clock: Callable[[], datetime]) -> None:
        self._store = store
        self._watch = watch
        self._clock = clock
        self._versions: Mapping[str, int] = {}
        self._one_at_a_time = asyncio.Lock()
        self.views: Mapping[str, StationView] = {}
        self.after_turn: list[Hear] = []

    async def refresh(self) -> None:
        """Read the stations that were changed since; StoreError when the store does not answer."""
        async with self._one_at_a_time:
            versions = await asyncio.to_thread(self._store.versions)
            if self._watch.codes is not None:
                versions = {code: version for code, version in versions.items() if code in self._watch.codes}
            changed = [code for code, version in versions.items() if self._versions.get(code) != version]
            if changed:
                stations = [self._watch.stations.get(code) for code in changed]
                read = await asyncio.to_thread(self._store.load, stations, now=self._clock())
                nights = {code: view.night for code, view in self.views.items()}
                new = {code: replace(view, night=nights.get(code)) for code, view in read.items()}
                self.views = {**self.views, **new}
                self._versions = versions
        if changed:
            self._tell()

    async def keep(self, _reports: Sequence[Report], nights: Mapping[str, Night] = MappingProxyType({})) -> None:
        """Keep frost forecasts beside the views. Reports come through the store only."""
        async with self._one_at_a_time:
            with_nights = {code: replace(self.views[code], night=night) for code, night in nights.items()}
            self.views = {**self.views, **with_nights}
        self._tell()

    def _tell(self) -> None:
        for hear in self.after_turn:
            hear()
