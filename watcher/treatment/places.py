"""Which site each of many departures goes to, when what is best for one alone would fill a site for the others."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from watcher.physics.arrays import Array
from watcher.treatment.chain import RIGS
from watcher.treatment.choice import rank_of
from watcher.treatment.departures import SLOT_AFTER
from watcher.treatment.option import Trial
from watcher.treatment.profiles import Site


@dataclass(slots=True)
class _Bays:
    """When the bays and rigs of a site are free again, by half of the members."""

    site: Site
    bays: list[float] = field(default_factory=list)
    rigs: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.bays = [-np.inf] * self.site.bays
        self.rigs = [-np.inf] * self.site.rigs

    def begins(self, arrives: float, rigs: int) -> float:
        """Return when one that arrives then would begin."""
        return max(arrives, min(self.bays), sorted(self.rigs)[rigs - 1])

    def take(self, begins: float, minutes: float, rigs: int) -> None:
        """Take a bay and rigs."""
        self.bays = [*sorted(self.bays)[1:], begins + minutes]
        self.rigs = [*sorted(self.rigs)[rigs:], *[begins + minutes] * rigs]


def assigned(choices: Sequence[Sequence[Trial]], shares: Sequence[float]) -> list[Trial]:
    """Return one trial for each departure, in their order: the best after the wait that those before it leave.

    Parameters
    ----------
    choices
        For each departure, in the order of off-block, what each site comes to; none is empty.
    shares
        How likely each is treated at all: one that hardly will be takes hardly any time.
    """
    bays: dict[tuple[str, str], _Bays] = {}
    found = []
    for trials, share in zip(choices, shares, strict=True):
        weighed = []
        for trial in trials:
            key = trial.case.departure.station, trial.site.name
            room = bays.setdefault(key, _Bays(trial.site))
            rigs = min(RIGS[trial.case.profile.size], trial.site.rigs)
            arrives = _half(trial.chain.arrives)
            begins = room.begins(arrives, rigs)
            weighed.append((_rank(trial, begins - arrives), trial, room, begins, rigs))
        _, best, room, begins, rigs = min(weighed, key=lambda each: each[0])
        room.take(begins, share * _half(best.chain.in_bay), rigs)
        found.append(best)
    return found


def _rank(trial: Trial, wait: float) -> tuple[tuple[float, ...], str]:
    case, running = trial.case, _half(trial.chain.running)
    take_off = _half(trial.chain.take_off) + wait
    slot = case.departure.ctot
    p_slot = None if slot is None else float(take_off <= case.ahead.minutes(slot + SLOT_AFTER))
    fuel_kg = running * (case.profile.idle_fuel_kg_min or 0.0)
    return rank_of(trial.verdict, p_slot, float(round(take_off)), fuel_kg), trial.site.name


def _half(minutes: Array) -> float:
    return float(np.median(minutes))
