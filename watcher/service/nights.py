"""Computes the frost forecasts beside the cycle: whoever waits for freezing rain must not wait for frost.

A station is computed when its report or TAF is new, the coldest first, in portions; each portion is judged in a turn of
its own. Until then the judgement goes on with the forecast before.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Protocol

from watcher.alerts.latest import question_of
from watcher.alerts.model import StationView
from watcher.outlook.night.model import Night, NightQuestion
from watcher.reports.model import Observation, Report
from watcher.telemetry import Metrics

# Warmer than this no night of the coming hours brings frost to a wing. Common practice, no source.
WARMEST_C = 12.0
AT_ONCE = 100


@dataclass(frozen=True, slots=True)
class NightPolicy:
    """How far ahead, with how many members, for how many stations in one round, and how old one may become."""

    ahead: timedelta = timedelta(hours=15)
    members: int = 200
    most: int = 1500
    again_after: timedelta = timedelta(minutes=30)


class Keeper(Protocol):
    """Has the stations, and takes what was computed for them."""

    @property
    def views(self) -> Mapping[str, StationView]:
        """The stations by code."""

    async def keep(self, reports: Sequence[Report], nights: Mapping[str, Night], /) -> None:
        """Take frost forecasts by station."""


class NightWatch:
    """Computes what is due.

    Parameters
    ----------
    keeper
        Has the stations, and takes what was computed.
    policy
        How much is computed.
    clock
        The present.
    metrics
        Where rounds are counted.
    """

    def __init__(self, keeper: Keeper, policy: NightPolicy, clock: Callable[[], datetime], metrics: Metrics) -> None:
        self._keeper = keeper
        self._policy = policy
        self._clock = clock
        self._metrics = metrics

    async def look(self) -> None:
        """Compute and judge what is due now."""
        questions = due_nights(self._keeper.views, self._policy, self._clock())
        for begin in range(0, len(questions), AT_ONCE):
            started = time.perf_counter()
            portion = questions[begin : begin + AT_ONCE]
            found = await asyncio.to_thread(_computed, portion, self._policy.members)
            self._metrics.observe("hoarline_night_seconds", time.perf_counter() - started)
            self._metrics.count("hoarline_nights", len(found))
            await self._keeper.keep((), {night.station: night for night in found})


def due_nights(views: Mapping[str, StationView], policy: NightPolicy, now: datetime) -> list[NightQuestion]:
    """Return the questions that are due, the coldest stations first."""
    due = sorted(_due(views.values(), policy, now), key=lambda found: found[0])
    return [question_of(view, now, now + policy.ahead) for _, _, view in due[: policy.most]]


def _due(views: Iterable[StationView], policy: NightPolicy, now: datetime) -> Iterator[tuple[float, str, StationView]]:
    for view in views:
        latest = view.observation
        if latest is None or latest.temp_c is None or latest.temp_c > WARMEST_C:
            continue
        if view.station.latitude_deg is None or view.state.blind_since is not None:
            continue
        if _is_out_of_date(view, latest, policy, now):
            yield latest.temp_c, view.station.code, view


def _is_out_of_date(view: StationView, latest: Observation, policy: NightPolicy, now: datetime) -> bool:
    night = view.night
    if night is None:
        return True
    issued_at = view.taf.issued_at if view.taf is not None else None
    same = night.observed_at == latest.observed_at and night.forecast_issued_at == issued_at
    return not same or now - night.begins_at >= policy.again_after


def _computed(questions: Sequence[NightQuestion], members: int) -> tuple[Night, ...]:
    # Loaded in the first round, so that a service in summer never loads it.
    from watcher.outlook.night.ensemble import nights  # noqa: PLC0415

    return nights(questions, members=members)
