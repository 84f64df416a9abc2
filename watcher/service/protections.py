"""Treated aircraft for commands and pages: begun, changed and read in the store of the running service.

What is told of a change is told by the next turn of the cycle; here it is only written down.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime

from watcher.alerts.hearing import AHEAD
from watcher.alerts.model import Policy, StationView
from watcher.alerts.sight import is_blind
from watcher.errors import Problem, StoreConflict, UsageError
from watcher.reports.model import Observation
from watcher.reports.station import Station
from watcher.store.store import Store
from watcher.treatment.clocks import Answers, Clocks, clocks
from watcher.treatment.kinds import Place
from watcher.treatment.press import Press
from watcher.treatment.pressing import pressed
from watcher.treatment.procedures import Procedure
from watcher.treatment.protection import (
    BEFORE_START,
    LONGEST,
    Ending,
    Protection,
    Standing,
    counts_from,
    ended,
    with_report,
    with_sight,
)
from watcher.treatment.protection_changes import begin
from watcher.treatment.tables import Tables

_TRIES = 5


@dataclass(frozen=True, slots=True)
class Reading:
    """How one treated aircraft stands now. `observation`: the station's newest report; None: there is none."""

    protection: Protection
    clocks: Clocks
    observation: Observation | None


class Protections:
    """The treated aircraft of one store.

    Parameters
    ----------
    store
        Of the running service.
    station_of
        Gives a station by its code.
    tables
        The holdover tables.
    policy
        When a station is blind.
    """

    def __init__(self, store: Store, station_of: Callable[[str], Station], tables: Tables, policy: Policy) -> None:
        self._store = store
        self._station_of = station_of
        self._answers = Answers(tables)
        self._policy = policy

    def start(self, wanted: Protection, now: datetime) -> Reading:
        """Begin a protection with all reports that it has stood in already, and return how it stands.

        Parameters
        ----------
        wanted
            What was put on when; its name and what it has seen are found here.
        now
            The present.

        Raises
        ------
        UsageError
            The station has no report, or the application began too long ago or is yet to come.
        """
        if not now - LONGEST < wanted.started_at <= now:
            what = "is yet to come" if wanted.started_at > now else "is more than 12 hours ago"
            raise UsageError([Problem("start of the final application", what)])
        view = self._view(wanted.station, now)
        if view.latest is None:
            remedy = "is it watched? hoarline now shows what is known of it"
            raise UsageError([Problem(f"station {wanted.station}", "has no report", remedy)])
        reports = self._store.observations_since(wanted.station, wanted.started_at - BEFORE_START)
        since = counts_from(wanted.started_at, [report.observed_at for report in reports])
        protection = self._up_to_date(replace(wanted, counts_from=since, seen=()), view, reports, now)
        added = self._store.add_protection(begin(protection, self._answers, now))
        return self._reading(added, view, now)

    def change(self, name: str, how: Callable[[Protection], Protection], now: datetime) -> Reading:
        """Change a live protection, whoever else does so meanwhile, and return how it stands.

        Raises
        ------
        UsageError
            There is no such protection, it has ended, or it cannot be changed so (ValueError of `how`).
        """

        def alive(found: Protection) -> Protection:
            if not found.live:
                raise UsageError([Problem(f'protection "{name}"', "has ended", "see hoarline protect status --all")])
            return how(found)

        return self._written(name, alive, now)

    def press(self, name: str, press: Press, procedures: Mapping[Place, Procedure], now: datetime) -> Reading:
        """Take a press on the page of a protection, whoever else presses meanwhile, and return how it stands.

        A press that was heard before changes nothing, also after the end.

        Parameters
        ----------
        name, press
            On whose page what was pressed when.
        procedures
            The checklist of each place.
        now
            The present.

        Raises
        ------
        UsageError
            There is no such protection, or the press cannot be: see `watcher.treatment.pressing.pressed`.
        """

        def after(found: Protection) -> Protection:
            return pressed(found, press, procedures[found.place] if found.place is not None else None, now)

        return self._written(name, after, now)

    def read(self, name: str, now: datetime) -> Reading:
        """Return how a protection stands; UsageError when there is none of that name."""
        return self._read(self._known(name), now)

    def all(self, now: datetime, *, live_only: bool = True) -> tuple[Reading, ...]:
        """Return how all protections stand: the lost first, then what runs out first, those that have ended last."""
        found = (self._read(each, now) for each in self._store.protections(live_only=live_only))
        kept = [each for each in found if each.protection.live or not live_only]
        return tuple(sorted(kept, key=_urgency))

    def _written(self, name: str, how: Callable[[Protection], Protection], now: datetime) -> Reading:
        for attempt in range(_TRIES):
            found = self._known(name)
            try:
                changed = how(found)
            except ValueError as error:
                raise UsageError([Problem(f'protection "{name}"', str(error))]) from error
            if changed is found:
                break
            try:
                self._store.change_protection(changed)
            except StoreConflict:
                if attempt == _TRIES - 1:
                    raise
            else:
                break
        return self.read(name, now)

    def _known(self, name: str) -> Protection:
        found = self._store.protection(name.upper())
        if found is None:
            raise UsageError([Problem(f'protection "{name}"', "is not known", "see hoarline protect status")])
        return found

    def _read(self, protection: Protection, now: datetime) -> Reading:
        """Return a protection as it stands now, with reports that no turn has brought to it yet."""
        view = self._view(protection.station, now)
        reports = self._store.observations_since(protection.station, protection.counts_from)
        return self._reading(self._up_to_date(protection, view, reports, now), view, now)

    def _reading(self, protection: Protection, view: StationView, now: datetime) -> Reading:
        return Reading(protection, clocks(protection, self._answers, now), view.observation)

    def _up_to_date(
        self, protection: Protection, view: StationView, reports: Iterable[Observation], now: datetime
    ) -> Protection:
        if not protection.live:
            return protection
        if now - protection.started_at >= LONGEST:
            return ended(protection, Ending.EXPIRED, protection.started_at + LONGEST)
        for report in reports:
            if report.observed_at <= now + AHEAD:
                protection = with_report(protection, report, view.station)
        blind = view.state.blind_since is not None or is_blind(view.state, self._policy, now)
        return with_sight(protection, blind=blind or protection.is_stale(now))

    def _view(self, code: str, now: datetime) -> StationView:
        return self._store.load([self._station_of(code)], now=now)[code]


_LOST = frozenset({Standing.NONE, Standing.SPECIAL})
_RUNS = frozenset({Standing.OVER, Standing.ALLOWANCE, Standing.RUNNING})


def _urgency(reading: Reading) -> tuple[bool, int, datetime, str]:
    """Return what puts the lost first, then those that run out, the first first, then those without minutes."""
    protection, standing = reading.protection, reading.clocks.standing
    rank = 0 if standing in _LOST else 1 if standing in _RUNS else 3 if standing is Standing.NO_LIMIT else 2
    return not protection.live, rank, reading.clocks.ends_at or protection.started_at, protection.id
