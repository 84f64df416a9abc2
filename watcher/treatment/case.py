"""One departure made ready for a plan: its hours ahead, its random scores, its times in minutes, its way to a bay."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from watcher.outlook.night.model import NightQuestion
from watcher.physics.arrays import Array
from watcher.physics.surface import DRY_BAY, TANK_FULL, Part
from watcher.treatment.chain import RIGS, Approach, Chain, Leg, Lengths, approach_of, chain_of, lengths_of
from watcher.treatment.departures import SLOT_BEFORE, Departure
from watcher.treatment.falling import Codes, Mask
from watcher.treatment.kinds import Contamination, Tank
from watcher.treatment.profiles import AircraftProfile, Operations, Site, TreatmentTime
from watcher.treatment.queue import starts_of
from watcher.treatment.spread import scores_of
from watcher.treatment.weather_ahead import LYING, Ahead

# How far after off-block or slot the weather is looked at.
BEYOND = timedelta(hours=3)
# Later than anything that is planned. [min]
_AFTER_ALL = 1e7


@dataclass(frozen=True, slots=True)
class Case:
    """One departure made ready.

    `now`, `off_block`, `earliest` in minutes from the beginning of the hours ahead; `earliest`: no take-off before it,
    where there is a slot. `times`: of spraying, for its size.
    """

    departure: Departure
    profile: AircraftProfile
    operations: Operations
    ahead: Ahead
    scores: Array
    runway: str
    times: Mapping[Contamination, TreatmentTime]
    now: float
    off_block: float
    earliest: float

    @property
    def spray_scores(self) -> Array:
        """How slow the spraying is, for every member: what takes longer takes more fluid."""
        return np.asarray(self.scores[Leg.SPRAY])

    def lies_at(self, minutes: float) -> Codes:
        """Return what lies on it at a time, for every member; what a person has seen counts before what is computed."""
        if self.departure.contamination is not None:
            return np.full(self.ahead.members, LYING.index(self.departure.contamination), np.int16)
        return np.asarray(self.ahead.lies[self.ahead.step_of(np.asarray(minutes))])


@dataclass(frozen=True, slots=True)
class Reach:
    """A departure on its way to a bay of one site."""

    case: Case
    site: Site
    legs: Lengths
    approach: Approach

    def chain(self, begins: Array) -> Chain:
        """Return the whole chain from when bay and rigs are had, in minutes for every member."""
        return chain_of(self.site, self.legs, self.approach, begins, self.case.off_block, self.case.earliest)


def asked_of(departure: Departure, weather: NightQuestion, now: datetime) -> NightQuestion:
    """Return the question about the weather up to the take-off."""
    until = max(departure.off_block, departure.ctot or departure.off_block) + BEYOND
    return replace(weather, now=now, until=until, aircraft=departure.parked)


def part_of(profile: AircraftProfile) -> Part:
    """Return the part of the wing that is looked at: the full tank where fuel touches the upper skin, or may."""
    return DRY_BAY if profile.tank is Tank.CLEAR_OF_SKIN else TANK_FULL


def case_of(
    departure: Departure, profile: AircraftProfile, operations: Operations, ahead: Ahead, now: datetime
) -> Case:
    """Return a departure made ready.

    Parameters
    ----------
    departure, profile, operations
        What is treated, and where.
    ahead
        The hours ahead of its station, and of an aircraft such as this.
    now
        Aware UTC.
    """
    slot = departure.ctot
    return Case(
        departure=departure,
        profile=profile,
        operations=operations,
        ahead=ahead,
        scores=scores_of(f"{departure.station} {departure.name}", len(Leg), ahead.members),
        runway=departure.runway or _runway(operations, profile),
        times=_times(operations, profile),
        now=ahead.minutes(now),
        off_block=ahead.minutes(departure.off_block),
        earliest=-np.inf if slot is None else ahead.minutes(slot - SLOT_BEFORE),
    )


def reach_of(case: Case, site: Site, *, two_steps: bool) -> Reach:
    """Return a departure's way to a site.

    Parameters
    ----------
    case
        The departure; the site takes it.
    site
        Where.
    two_steps
        Whether the fluid goes on in a second step.
    """
    lies = case.lies_at(case.off_block)
    legs = lengths_of(case.operations, site, case.runway, case.times, lies, case.scores, two_steps=two_steps)
    return Reach(case, site, legs, approach_of(site, legs, case.off_block, case.now))


def queue_of(reaches: Sequence[Reach], needs: Sequence[Mask]) -> list[Array]:
    """Return when each of the departures that come to one site has its bay and rigs.

    Parameters
    ----------
    reaches
        Their ways to the site.
    needs
        Members in which each is treated at all; in the others it goes on when it arrives, and delays nobody.

    Returns
    -------
    list
        Minutes for every member, in the order of the departures; that order changes nothing.
    """
    site = reaches[0].site
    order = sorted(range(len(reaches)), key=lambda each: _first(reaches[each].case))
    needed = np.array([needs[each] for each in order])
    arrives = np.array([reaches[each].approach.arrives for each in order])
    starts = starts_of(
        np.where(needed, arrives, _AFTER_ALL),
        np.where(needed, [reaches[each].legs.in_bay for each in order], 0.0),
        bays=site.bays,
        rigs=site.rigs,
        rigs_each=[RIGS[reaches[each].case.profile.size] for each in order],
    )
    begins = dict(zip(order, np.where(needed, starts, arrives), strict=True))
    return [begins[number] for number in range(len(reaches))]


def _first(case: Case) -> tuple[float, str]:
    return case.off_block, case.departure.name


def _runway(operations: Operations, profile: AircraftProfile) -> str:
    """Return the runway that most sites lead to, of several the one with the longest way."""

    def way(runway: str) -> tuple[int, float, str]:
        sites = [site for site in operations.sites if runway in site.taxi_out and profile.size in site.sizes]
        longest = max((site.taxi_out[runway].p50 for site in sites), default=0.0) + operations.queue[runway].p50
        return len(sites), longest, runway

    return max(operations.queue, key=way)


def _times(operations: Operations, profile: AircraftProfile) -> dict[Contamination, TreatmentTime]:
    """Return the times of spraying by what must come off; where one is not given, the next one that takes more."""
    found: dict[Contamination, TreatmentTime] = {}
    last: TreatmentTime | None = None
    for each in reversed(Contamination):
        last = operations.times.get((profile.size, each), last)
        if last is not None:
            found[each] = last
    return found
