"""From settings to what is judged, and by what."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from watcher.alerts.habits import Habits
from watcher.service.cycle import Watch
from watcher.service.nights import NightPolicy
from watcher.service.rules_folder import load_rulebook
from watcher.service.tables_folder import load_tables
from watcher.settings import Settings
from watcher.settings.habits import habits_of
from watcher.stations import StationTable


def build_watch(settings: Settings, habits: Mapping[str, Habits] | None = None) -> Watch:
    """Return what is judged, and by what.

    Parameters
    ----------
    settings
        Checked settings.
    habits
        What stations usually do; None: what the settings' file says.

    Raises
    ------
    RulesError
        The rules or the holdover tables cannot be used.
    SettingsError
        The file of habits cannot.
    """
    folder = settings.path(settings.text.rules.folder) if settings.text.rules.folder is not None else None
    watched = settings.text.watch.stations
    return Watch(
        codes=None if watched == "all" else frozenset(watched),
        stations=StationTable.load(settings.station_overrides()),
        rulebook=load_rulebook(folder),
        policy=replace(settings.policy(), habits=habits_of(settings) if habits is None else habits),
        tables=load_tables(folder),
    )


def night_policy(settings: Settings) -> NightPolicy:
    """Return how far and for how many stations frost is computed."""
    night = settings.text.night
    return NightPolicy(night.ahead, night.members, night.most)
