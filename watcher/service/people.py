"""Notices that subscriptions or destinations were changed while the service runs, and puts the new ones in force."""

from __future__ import annotations

import asyncio
from datetime import datetime

import structlog

from watcher.errors import Problem, SettingsError
from watcher.notify.sender import Sender
from watcher.service.channels import Channels
from watcher.service.cycle import Cycle
from watcher.service.destinations import Destination, destination_of
from watcher.service.directory import Directory, read_directory
from watcher.settings import Settings
from watcher.stations import StationTable
from watcher.store.store import Store

_log = structlog.get_logger()


class PeopleWatch:
    """Holds the directory in force; `problems`: what of it cannot be used as it stands.

    Parameters
    ----------
    store, settings
        Where subscriptions and destinations stand.
    stations
        For circles around a station.
    channels
        Makes the ways to destinations.
    sender, cycle
        Who needs to know.
    """

    def __init__(  # noqa: PLR0917 - the parts of one service
        self, store: Store, settings: Settings, stations: StationTable, channels: Channels, sender: Sender, cycle: Cycle
    ) -> None:
        self._store = store
        self._settings = settings
        self._stations = stations
        self._channels = channels
        self._sender = sender
        self._cycle = cycle
        self.directory: Directory | None = None
        self.problems: tuple[Problem, ...] = ()

    async def look(self, now: datetime) -> None:
        """Read the directory again where the store says that it has changed.

        Raises
        ------
        SettingsError
            At the start only: a name stands in the settings and in the store.
        """
        revision = await asyncio.to_thread(self._store.people_revision)
        if self.directory is not None and self.directory.revision == revision:
            return
        people = await asyncio.to_thread(self._store.people)
        try:
            directory = read_directory(self._settings, people)
        except SettingsError as error:
            if self.directory is None:
                raise
            self._tell_of(error.problems)
            return
        usable, problems = _usable(directory)
        self._tell_of((*directory.problems, *problems))
        # The sender first: what the cycle owes to somebody new must find its way.
        self._sender.use(self._channels.to(usable))
        await asyncio.to_thread(self._cycle.listen_to, directory.listeners(self._stations.get), now)
        self.directory = directory

    def _tell_of(self, problems: tuple[Problem, ...]) -> None:
        """Keep what is wrong for readiness, and log what is new of it."""
        for problem in problems:
            if problem not in self.problems:
                _log.error("a subscription or destination cannot be used as it stands", problem=str(problem))
        self.problems = problems


def _usable(directory: Directory) -> tuple[list[Destination], list[Problem]]:
    found, problems = [], []
    for known in directory.destinations.values():
        try:
            found.append(destination_of(known))
        except ValueError as error:
            problems.append(Problem(f'destination "{known.name}"', str(error)))
    return found, problems
