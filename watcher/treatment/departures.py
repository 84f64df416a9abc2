"""Departures: what is known of each, from a person or from a file."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta

from watcher.errors import Problem
from watcher.outlook.night.model import Aircraft
from watcher.treatment.kinds import Contamination, Place
from watcher.units import duration_text, iso_z

# As far as a plan looks.
FURTHEST = timedelta(hours=30)
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
    tobt, tsat, ctot, parked = departure.tobt, departure.tsat, departure.ctot, departure.parked
    if tobt <= now:
        problems.append(Problem(where, f"off-block {iso_z(tobt)} is not ahead", f"a time after {iso_z(now)}"))
    latest = max(departure.off_block, ctot or tobt)
    if latest > now + FURTHEST:
        remedy = f"at most {duration_text(FURTHEST)} ahead, until {iso_z(now + FURTHEST)}"
        problems.append(Problem(where, f"{iso_z(latest)} is too far ahead", remedy))
    if tsat is not None and tsat < tobt:
        problems.append(Problem(where, f"TSAT {iso_z(tsat)} is before TOBT {iso_z(tobt)}", "TSAT is never earlier"))
    if ctot is not None and ctot + SLOT_AFTER < departure.off_block:
        what = f"slot {iso_z(ctot)} ends before off-block {iso_z(departure.off_block)}"
        problems.append(Problem(where, what, "off-block or slot is wrong"))
    for name, at in (("arrived", parked.arrived_at), ("leaves the hangar", parked.hangar_exit_at)):
        if at is not None and at > departure.off_block:
            problems.append(Problem(where, f"{name} {iso_z(at)}, after off-block {iso_z(departure.off_block)}"))
    return problems
