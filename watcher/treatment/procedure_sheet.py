"""The checklist of a place as it is given out: the steps that count for an aircraft and a station."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any, Final

from watcher.errors import Problem, UsageError, nearest
from watcher.treatment.kinds import ApuPlace, Engines, Flaps, Place
from watcher.treatment.procedures import (
    WAITS,
    Apu,
    Clock,
    Item,
    Phase,
    Procedure,
    Situation,
    Who,
    in_situation,
)
from watcher.treatment.profiles import AircraftProfile, Operations

PARTIES: Final[Mapping[str, Who]] = {"crew": Who.CREW, "ground": Who.GROUND_CREW}
_USUAL: Final = {Place.STAND: Engines.OFF, Place.PAD: Engines.RUNNING}


@dataclass(frozen=True, slots=True)
class Sheet:
    """A checklist. `steps`: those that are wanted, under the numbers that all of them have together."""

    procedure: Procedure
    steps: tuple[tuple[int, Item], ...]
    situation: Situation
    profile: AircraftProfile | None
    operations: Operations | None

    def of(self, phase: Phase) -> tuple[tuple[int, Item], ...]:
        """Return the steps of a phase."""
        return tuple((number, item) for number, item in self.steps if item.phase is phase)

    def condition(self, item: Item) -> str:
        """Return what a step hangs on and is not known here; empty where it counts for certain."""
        return item.when.text if item.when.holds(self.situation) is None else ""

    def wait(self, clock: Clock) -> str:
        """Return how long a wait is and whose figure that is; empty for what is no wait."""
        if clock not in WAITS:
            return ""
        if self.profile is None or (minutes := WAITS[clock](self.profile)) is None:
            return "How long the wait is, the manual says."
        return (
            f"Wait ends {minutes:g} min after the end of the treatment, at ......Z "
            f"({self.profile.name}: {self.profile.waits_source}). Not a permission."
        )

    @property
    def about(self) -> str:
        """The aircraft and the state of its engines, in sentences."""
        said = []
        if self.profile is not None:
            said.append(f"{self.profile.name} ({self.profile.source}).")
            flaps = self.profile.flaps_during_treatment
            if flaps is not None:
                said.append(f"Slats and flaps during treatment: {flaps}.")
            if flaps is Flaps.EXTENDED:
                said.append("That shortens holdover times.")
        engines = self.situation.engines
        said.append(f"Engines {engines}." if engines is not None else "Engines: as agreed.")
        return " ".join(said)


def sheet_of(
    procedure: Procedure,
    *,
    profile: AircraftProfile | None = None,
    operations: Operations | None = None,
    engines: Engines | None = None,
    who: str | None = None,
) -> Sheet:
    """Return the checklist of a place.

    Parameters
    ----------
    procedure
        Of the place.
    profile
        Of the aircraft: its waits, and what does not concern it.
    operations
        Of the station: its local procedure, and how it treats there.
    engines
        None: off at the stand, running at the pad, or as the station treats.
    who
        Only the steps of ``crew`` or ``ground``; None: all.

    Raises
    ------
    UsageError
        The station does not treat there, or `who` is not known.
    """
    if who is not None and who not in PARTIES:
        raise UsageError([Problem("who", f'"{who}" is not known', nearest(who, PARTIES))])
    usual = _usual(procedure.place, operations)
    situation = _situation(usual if engines is None else engines, profile)
    sheet = in_situation(procedure, situation)
    wanted = set(Who) if who is None else {PARTIES[who], Who.BOTH}
    steps = tuple((number, item) for number, item in enumerate(sheet.items, 1) if item.who in wanted)
    return Sheet(sheet, steps, situation, profile, operations)


def _usual(place: Place, operations: Operations | None) -> Engines | None:
    """Return the state of the engines as the station treats there, else as usual at the place."""
    if operations is None:
        return _USUAL.get(place)
    sites = operations.at(place)
    if not sites:
        raise UsageError([Problem("station", f"{operations.station} does not treat at {place}")])
    found = {site.engines for site in sites}
    return found.pop() if len(found) == 1 else None


def _situation(engines: Engines | None, profile: AircraftProfile | None) -> Situation:
    if profile is None:
        return Situation(engines=engines)
    apu = Apu.OFF if profile.apu is ApuPlace.NONE else None
    return Situation(engines=engines, apu=apu, propeller=profile.propeller)


def as_contract(sheet: Sheet, caution: str) -> dict[str, Any]:
    """Return the `procedure` contract.

    Parameters
    ----------
    sheet
        The checklist.
    caution
        The sentence that every output carries.
    """
    procedure, profile, operations = sheet.procedure, sheet.profile, sheet.operations
    return {
        "place": procedure.place,
        "title": procedure.title,
        "first": procedure.first,
        "file": procedure.file,
        "aircraft": profile.name if profile is not None else None,
        "station": operations.station if operations is not None else None,
        "local": list(operations.local) if operations is not None else None,
        "situation": asdict(sheet.situation),
        "phases": [
            {"phase": phase, "items": [_item(number, item, sheet.situation) for number, item in sheet.of(phase)]}
            for phase in Phase
        ],
        "stops": [asdict(stop) for stop in procedure.stops],
        "waits": [
            {
                "clock": clock,
                "minutes": minutes_of(profile) if profile is not None else None,
                "source": profile.waits_source if profile is not None else None,
            }
            for clock, minutes_of in WAITS.items()
        ],
        "caution": caution,
    }


def _item(number: int, item: Item, situation: Situation) -> dict[str, Any]:
    known = replace(item, when=type(item.when)()) if item.when.holds(situation) else item
    fields = {**asdict(known), "when": known.when.text or None}
    del fields["phase"]
    return {"number": number, **fields}
