"""Takes turns of the cycle one at a time, off the event loop, and tells the rest of the service what they made."""

from __future__ import annotations

import asyncio
import time
from collections import Counter
from collections.abc import Awaitable, Callable, Mapping, Sequence
from datetime import datetime, timedelta
from types import MappingProxyType

import structlog

from watcher.alerts.changes import Changes
from watcher.alerts.model import StationView
from watcher.errors import StoreError
from watcher.outlook.night.model import Night
from watcher.reports.model import Report
from watcher.service.cycle import Cycle
from watcher.telemetry import Metrics

_log = structlog.get_logger()
# So long the senders have to try again what waited while nobody ran.
_PATIENCE = timedelta(minutes=1)


class Watchkeeper:
    """The only caller of the cycle while the service runs.

    Parameters
    ----------
    cycle
        What takes the turns.
    clock
        The present.
    metrics
        Where turns and what they made are counted.
    wake_senders
        Called when there is something to send.
    look_at_people
        Called before each turn: notices subscriptions and destinations that were changed meanwhile.
    may_call_blind
        Says before each turn whether what the feeds have is known, so that a station without a report is blind.

    Attributes
    ----------
    begun_at, last_turn_at
        When what is remembered was loaded, and when the last turn since was committed.
    after_turn
        Called in the event loop with what each turn made, whether or not anything was worth keeping.
    """

    def __init__(
        self,
        cycle: Cycle,
        clock: Callable[[], datetime],
        metrics: Metrics,
        wake_senders: Callable[[], None],
        look_at_people: Callable[[], Awaitable[None]],
        *,
        may_call_blind: Callable[[], bool] = lambda: True,
    ) -> None:
        self._cycle = cycle
        self._clock = clock
        self._metrics = metrics
        self._wake_senders = wake_senders
        self._look_at_people = look_at_people
        self._may_call_blind = may_call_blind
        self._one_at_a_time = asyncio.Lock()
        self.begun_at: datetime | None = None
        self.last_turn_at: datetime | None = None
        self.after_turn: list[Callable[[Changes], None]] = []

    async def begin(self) -> None:
        """Load what is remembered. Turns of an earlier term say nothing of this one."""
        async with self._one_at_a_time:
            self.last_turn_at = None
            await self._look_at_people()
            self.begun_at = self._clock()
            self._tell(await asyncio.to_thread(self._cycle.load, self.begun_at))

    @property
    def views(self) -> Mapping[str, StationView]:
        """The stations as they stood after the last turn."""
        return self._cycle.views

    async def keep(self, reports: Sequence[Report], nights: Mapping[str, Night] = MappingProxyType({})) -> None:
        """Judge and commit reports and frost forecasts; without any, judge that time has passed.

        Raises
        ------
        StoreError
            Nothing was committed and nothing is remembered of it.
        """
        async with self._one_at_a_time:
            now = self._clock()
            started = time.perf_counter()
            try:
                await self._look_at_people()
                changes = await asyncio.to_thread(
                    self._cycle.turn, reports, now, nights, may_call_blind=self._may_call_blind()
                )
            except StoreError:
                self._metrics.count("hoarline_turns", outcome="failed")
                raise
            self._metrics.observe("hoarline_turn_seconds", time.perf_counter() - started)
            self._metrics.count("hoarline_turns", outcome="committed")
            self.last_turn_at = now
            self._tell(changes)
            await self._hand_on(now)

    async def _hand_on(self, now: datetime) -> None:
        """Tell fallbacks what does not arrive; not at once after a start, which may be what was wrong."""
        if self.begun_at is None:
            return
        # A clock that was ahead at the start must not put it off for as long as it was.
        self.begun_at = min(self.begun_at, now)
        if now - self.begun_at < _PATIENCE:
            return
        try:
            changes = await asyncio.to_thread(self._cycle.hand_on, now)
        except StoreError as error:
            _log.warning("fallbacks were not told; the next turn tries again", error=str(error))
            return
        for item in changes.deliveries:
            self._metrics.count("hoarline_handed_on", why=str(item.instead.why if item.instead is not None else ""))
            _log.warning(
                "a fallback is told", event_id=item.event_id, fallback=item.destination,
                meant_for=item.instead.meant_for if item.instead is not None else None,
            )  # fmt: skip
        if changes.deliveries:
            self._wake_senders()

    async def look_at_people(self) -> None:
        """Notice, between turns, subscriptions and destinations that were changed."""
        async with self._one_at_a_time:
            await self._look_at_people()

    async def remember_told(self) -> None:
        """Read again who was told what: some of it did not arrive in time."""
        async with self._one_at_a_time:
            await asyncio.to_thread(self._cycle.remember_told, self._clock())

    async def tick(self) -> None:
        """Judge that time has passed."""
        await self.keep(())

    def _tell(self, changes: Changes) -> None:
        of_stations = (event for change in changes.stations for event in change.events)
        for event in (*of_stations, *changes.protection_events, *changes.digests):
            self._metrics.count("hoarline_events", type=event.type.value)
            _log.info("event", event_id=event.id, type=event.type.value, headline=event.body.headline)
        if changes.deliveries:
            self._wake_senders()
        self._gauge()
        for hear in self.after_turn:
            hear(changes)

    def _gauge(self) -> None:
        views = self._cycle.views.values()
        blind = sum(view.state.blind_since is not None for view in views)
        self._metrics.set("hoarline_stations", len(views) - blind, state="seeing")
        self._metrics.set("hoarline_stations", blind, state="blind")
        open_now = Counter(
            (episode.flag.value, episode.level.word)
            for view in views
            for episode in view.episodes
            if episode.opened_at is not None
        )
        self._metrics.clear("hoarline_open_episodes")
        for (flag, level), count in open_now.items():
            self._metrics.set("hoarline_open_episodes", count, flag=flag, level=level)
