"""Departures: what is known of each, from a person or from a file."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta

from watcher.errors import Problem
from watcher.outlook.night.model import Aircraft
from watcher.treatment.kinds import Contamination, Place
from watcher.units import iso_z

# A departure slot: take-off from 5 min before to 10 min after it. Network operations practice in Europe; memory.
SLOT_BEFORE, SLOT_AFTER = timedelta(minutes=5), timedelta(minutes=10)


@dataclass(frozen=True, slots=True)
class Departure:
    """One departure. None: not known, or free to choose.

    Parameters
    ----------
    name
        Of the flight; it also names the random numbers, so that a plan does not jump when it is made again.
    aircraft
        Name of the profile.
    tobt
        Off-block time.
    tsat, ctot
        Start-up approval and slot, as given.
    place, fluid
        Where it will be treated and with what, such as ``Type IV 100/0``.
    runway
        For the way to the holding point.
    contamination
        What lies on it, seen by a person.
    parked
        What is known of the parked aircraft.
    """

    name: str
    station: str
    aircraft: str
    tobt: datetime
    tsat: datetime | None = None
    ctot: datetime | None = None
    place: Place | None = None
    fluid: str | None = None
    runway: str | None = None
    contamination: Contamination | None = None
    parked: Aircraft = field(default_factory=Aircraft)

    @property
    def off_block(self) -> datetime:
        """When it may leave the stand: TOBT, or TSAT where it is later."""
        return self.tobt if self.tsat is None else max(self.tobt, self.tsat)


def contradictions(departure: Departure, now: datetime, where: str) -> list[Problem]:
    """Return what cannot be, of the times of a departure.

    Parameters
    ----------
    departure
        With its times.
    now
        Aware UTC.
    where
        For messages.
    """
    problems = []
    off_block, tsat, ctot = departure.tobt, departure.tsat, departure.ctot
    if off_block <= now:
        problems.append(Problem(where, f"off-block {iso_z(off_block)} is not ahead", f"a time after {iso_z(now)}"))
    if tsat is not None and tsat < off_block:
        problems.append(
            Problem(where, f"TSAT {iso_z(tsat)} is before TOBT {iso_z(off_block)}", "TSAT is never earlier")
        )
    if ctot is not None and ctot + SLOT_AFTER < departure.off_block:
        remedy = "off-block or slot is wrong"
        problems.append(
            Problem(where, f"slot {iso_z(ctot)} ends before off-block {iso_z(departure.off_block)}", remedy)
        )
    return problems
