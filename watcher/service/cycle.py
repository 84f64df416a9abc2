"""One turn of the watcher, and the whole program: decide, then commit.

    reports  = what the feeds brought, decoded
    changes  = judge(what is remembered, reports, now), and whom to tell of it
    store.commit(changes)

Everything that leaves the program is read from what was committed. A conflict means that another process was faster:
what is remembered is loaded again and judged again.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from types import MappingProxyType

from watcher.alerts.changes import Changes, StationChange
from watcher.alerts.judge import judge, withdraw_station
from watcher.alerts.listeners import Listeners
from watcher.alerts.model import Acknowledgement, Policy, StationState, StationView
from watcher.alerts.outbox import Told
from watcher.alerts.protections import Moved, move, owed_at_once
from watcher.alerts.tell import after_telling, tell
from watcher.errors import StoreConflict
from watcher.outlook.night.model import Night
from watcher.reports.model import Forecast, Observation, Report, Unreadable
from watcher.reports.station import Station
from watcher.rulebook.model import Rulebook
from watcher.service.handing_on import handed_on
from watcher.stations import StationTable
from watcher.store.store import Store
from watcher.treatment.clocks import Answers
from watcher.treatment.tables import Tables

_TRIES = 3


@dataclass(frozen=True, slots=True)
class Watch:
    """What is judged, and by what. `codes` None: every station that reports. `tables`: None: no treated aircraft."""

    codes: frozenset[str] | None
    stations: StationTable
    rulebook: Rulebook
    policy: Policy
    tables: Tables | None = None


@dataclass(frozen=True, slots=True)
class Memory:
    """What is remembered between two turns; a restart loads the same from the store."""

    views: Mapping[str, StationView] = field(default_factory=dict)
    told: Mapping[tuple[str, str], Told] = field(default_factory=dict)


class Cycle:
    """Turns reports and time into committed events and deliveries. Not for several threads at once.

    `term`: under which its turns are written; None: nobody was elected, and nobody needs to be.
    """

    def __init__(self, store: Store, watch: Watch, listeners: Listeners | None = None) -> None:
        self._store = store
        self._watch = watch
        self._listeners = listeners or Listeners()
        self._memory = Memory()
        self.term: int | None = None
        self._answers = Answers(watch.tables) if watch.tables is not None else None

    @property
    def views(self) -> Mapping[str, StationView]:
        """The stations as they stood after the last turn."""
        return self._memory.views

    def load(self, now: datetime) -> Changes:
        """Remember what the store knows, and withdraw what is no longer watched."""
        self._remember(now)
        departed = self._store.load(self._departed(), now=now)
        withdrawn = [
            change
            for view in departed.values()
            if (change := withdraw_station(view, rulebook=self._watch.rulebook, now=now)) is not None
        ]
        return self._commit(withdrawn, now)

    def listen_to(self, listeners: Listeners, now: datetime) -> None:
        """Tell these from now on; what they were told before is read from the store."""
        self._listeners = listeners
        self.remember_told(now)

    def remember_told(self, now: datetime) -> None:
        """Read from the store who was told what; what never arrived was told to nobody."""
        self._memory = replace(self._memory, told=self._store.told(now))

    def hand_on(self, now: datetime) -> Changes:
        """Tell fallbacks what does not reach the destinations that it was meant for, and commit that."""
        deliveries = handed_on(self._store, self._listeners, self._memory.told, self._watch.policy, now)
        changes = Changes(at=now, deliveries=deliveries)
        if changes.deliveries:
            self._store.commit(changes, term=self.term)
            told = after_telling(self._memory.told, changes.deliveries, ())
            self._memory = replace(self._memory, told=told)
        return changes

    def turn(
        self,
        reports: Sequence[Report],
        now: datetime,
        nights: Mapping[str, Night] = MappingProxyType({}),
        *,
        may_call_blind: bool = True,
    ) -> Changes:
        """Judge all watched stations with these reports and frost forecasts at this time, and commit what changed.

        `may_call_blind` False: reports may be there that nobody has asked for yet.

        Raises
        ------
        StoreError
            When the store cannot take it; nothing is remembered then, and the same reports may be given again.
        """
        for attempt in range(_TRIES):
            views = self._with_new_stations(reports)
            taken = self._store.unnoticed_acknowledgements()
            book, policy = self._watch.rulebook, self._watch.policy
            made = judge(
                views, reports, taken, nights, rulebook=book, policy=policy, now=now, may_call_blind=may_call_blind
            )
            unreadable = tuple(report for report in reports if isinstance(report.decoded, Unreadable))
            try:
                return self._commit(made, now, views, unreadable=unreadable, taken=taken)
            except StoreConflict:
                if attempt == _TRIES - 1:
                    raise
                self._remember(now)
        raise AssertionError

    def _commit(
        self,
        made: Sequence[StationChange],
        now: datetime,
        views: Mapping[str, StationView] | None = None,
        *,
        unreadable: tuple[Report, ...] = (),
        taken: Sequence[Acknowledgement] = (),
    ) -> Changes:
        after = dict(self._memory.views if views is None else views)
        after.update((change.station, change.after) for change in made if change.station in after)
        moved = self._moved(made, after, now) if views is not None else Moved()
        at_once = owed_at_once(moved.events, after, self._listeners, self._watch.policy, now)
        telling = tell(
            made,
            after.values(),
            self._listeners,
            self._memory.told,
            rulebook=self._watch.rulebook,
            policy=self._watch.policy,
            now=now,
        )
        changes = Changes(
            at=now,
            stations=tuple(change for change in made if not change.quiet),
            deliveries=(*telling.deliveries, *at_once),
            digests=telling.digests,
            unreadable=unreadable,
            acknowledged=taken[-1].number if taken else None,
            protections=moved.protections,
            protection_events=moved.events,
        )
        if changes.worth_committing:
            self._store.commit(changes, term=self.term)
        self._memory = Memory(after, after_telling(self._memory.told, telling.deliveries, made))
        return changes

    def _moved(self, made: Sequence[StationChange], after: Mapping[str, StationView], now: datetime) -> Moved:
        """Return how treated aircraft stand after a turn. They are read each time: commands write them, too."""
        if self._answers is None:
            return Moved()
        live = self._store.protections(live_only=True)
        heard = {change.station: change.reports for change in made}
        return move(live, after, heard, self._answers, now)

    def _remember(self, now: datetime) -> None:
        codes = self._watch.codes
        known = self._store.station_codes() if codes is None else codes
        stations = [self._watch.stations.get(code) for code in sorted(known)]
        self._memory = Memory(self._store.load(stations, now=now), self._store.told(now))

    def _departed(self) -> list[Station]:
        """Return the stations that are no longer watched, and of which something stands open."""
        open_at = {episode.station for episode in self._store.episodes(open_only=True)} | self._store.blind_stations()
        return [self._watch.stations.get(code) for code in sorted(open_at - set(self._memory.views))]

    def _with_new_stations(self, reports: Iterable[Report]) -> Mapping[str, StationView]:
        if self._watch.codes is not None:
            return self._memory.views
        views = dict(self._memory.views)
        for report in reports:
            if isinstance(report.decoded, Observation | Forecast) and report.decoded.station not in views:
                code = report.decoded.station
                views[code] = StationView(self._watch.stations.get(code), StationState(code))
        return views
