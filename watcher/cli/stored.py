"""Stations as the running service keeps them: what the store has of each, and where each lies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from watcher.alerts.model import Policy, StationView
from watcher.cli.options import settings_from
from watcher.reports.model import Unreadable
from watcher.service.learning import kept_habits, merged
from watcher.service.look import unreadable_lately
from watcher.settings import Settings
from watcher.settings.habits import habits_of
from watcher.stations import StationTable
from watcher.store.store import Store


@dataclass(frozen=True, slots=True)
class Stored:
    """The views in the order of the codes, and texts that came in within 6 hours and could not be read.

    `policy`: of the judgement, with what stations usually do.
    """

    settings: Settings
    views: tuple[StationView, ...]
    unreadable: tuple[Unreadable, ...]
    policy: Policy


def stored(codes: Sequence[str], config: Path | None, now: datetime) -> Stored:
    """Return what the store has of stations; one that it does not have has a blank view.

    Raises
    ------
    SettingsError
        The settings cannot be used.
    """
    settings = settings_from(config)
    table = StationTable.load(settings.station_overrides())
    wanted = list(dict.fromkeys(code.upper() for code in codes))
    store = Store.open(settings.text.store.url)
    try:
        views = store.load([table.get(code) for code in wanted], now=now)
        texts = unreadable_lately(store.unreadable(500), now)
        habits = merged(habits_of(settings), kept_habits(store))
    finally:
        store.close()
    policy = replace(settings.policy(), habits=habits)
    return Stored(settings, tuple(views[code] for code in wanted), texts, policy)
