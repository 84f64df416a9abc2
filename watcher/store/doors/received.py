"""Reports as they were received, and what was learned from them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from watcher.alerts.habit_words import habits_file, habits_in_file
from watcher.alerts.habits import Habits, Heard
from watcher.reports.model import Observation, Report
from watcher.store import kept, reports
from watcher.store.doors.door import Door
from watcher.store.model import KeptReport


class Received(Door):
    """The reports of stations, and what stations usually do."""

    def observations_since(self, station: str, since: datetime) -> tuple[Observation, ...]:
        """Return a station's reports from a time of observation on, oldest first, without those that were corrected."""
        with self._database.read() as connection:
            return reports.observations_since(connection, [station], since).get(station, ())

    def observations_of(self, stations: Sequence[str], since: datetime) -> dict[str, tuple[Observation, ...]]:
        """Return by station the same of several; one without any is left out."""
        with self._database.read() as connection:
            return reports.observations_since(connection, stations, since)

    def heard(self, stations: Sequence[str], since: datetime) -> dict[str, list[Heard]]:
        """Return by station the usable reports from a time of observation on, in short, oldest first."""
        with self._database.read() as connection:
            return reports.heard(connection, stations, since)

    def reports_of(self, station: str, since: datetime, until: datetime, limit: int) -> tuple[KeptReport, ...]:
        """Return a station's METARs, SPECIs and TAFs of a time of observation or issue, ends included, newest first."""
        with self._database.read() as connection:
            return reports.reports_of(connection, station, since, until, limit)

    def unreadable(self, limit: int) -> tuple[Report, ...]:
        """Return the newest texts that could not be read, newest first."""
        with self._database.read() as connection:
            return reports.read_unreadable(connection, limit)

    def habits(self) -> dict[str, Habits]:
        """Return what was learned of stations, by code; ValueError when another program's is kept there."""
        with self._database.read() as connection:
            text = kept.habits(connection)
        return habits_in_file(text) if text is not None else {}

    def keep_habits(self, habits: Mapping[str, Habits], made_from: str) -> None:
        """Keep what was learned of stations, in place of what was learned before."""
        with self._database.write() as connection:
            kept.keep_habits(connection, habits_file(habits, made_from))
