"""Procedures: what crew and ground crew do before, during and after a treatment, step by step, at each place.

A procedure is a file that a person may edit. It never replaces the manual of the aircraft, which goes first.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Annotated, ClassVar, Final

from pydantic import Field

from watcher.treatment.kinds import Engines, Place
from watcher.treatment.profiles import AircraftProfile, Sentence, Source
from watcher.treatment.written import STRICT

Id = Annotated[str, Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", max_length=60)]


class Phase(StrEnum):
    """Where in the treatment a step stands. In this order."""

    BEFORE = "before"
    DURING = "during"
    AFTER = "after"


class Who(StrEnum):
    """Who does it."""

    CREW = "crew"
    GROUND_CREW = "ground crew"
    BOTH = "both"


class Clock(StrEnum):
    """A moment that is noted, or a time that runs from one.

    The holdover time runs from the start of the final step, the waits before bleed air from the end of the treatment.
    """

    FINAL_STEP_START = "final-step-start"
    TREATMENT_END = "treatment-end"
    ENGINE_BLEED_WAIT = "engine-bleed-wait"
    APU_BLEED_WAIT = "apu-bleed-wait"
    HOLDOVER = "holdover"


# The waits before bleed air, in minutes from the end of the treatment, by the profile of the aircraft. None: not known.
WAITS: Final[Mapping[Clock, Callable[[AircraftProfile], float | None]]] = {
    Clock.ENGINE_BLEED_WAIT: lambda profile: profile.engine_bleed_wait_min,
    Clock.APU_BLEED_WAIT: lambda profile: profile.apu_bleed_wait_min,
}


class Moved(StrEnum):
    """Parts of the aircraft that stay still until the treatment has ended."""

    SLATS = "slats"
    FLAPS = "flaps"
    CONTROLS = "controls"


class Apu(StrEnum):
    """The auxiliary power unit during the treatment."""

    RUNNING = "running"
    OFF = "off"


class HoldoverState(StrEnum):
    """How the holdover time stands. Over: or in doubt."""

    RUNNING = "running"
    OVER = "over"


@dataclass(frozen=True, slots=True)
class Situation:
    """What is known of the aircraft that is treated. None: not known."""

    engines: Engines | None = None
    apu: Apu | None = None
    propeller: bool | None = None
    temp_c: float | None = None
    holdover: HoldoverState | None = None


@dataclass(frozen=True, slots=True)
class Condition:
    """When a step counts: everything that is given must hold. Nothing given: always."""

    __pydantic_config__: ClassVar = STRICT

    engines: Engines | None = None
    apu: Apu | None = None
    propeller: bool | None = None
    temp_below_c: Annotated[float, Field(ge=-60, le=40, allow_inf_nan=False)] | None = None
    holdover: HoldoverState | None = None

    def holds(self, situation: Situation) -> bool | None:
        """Return whether it holds; None where the situation does not tell."""
        verdicts = [
            None if seen is None else seen == asked
            for asked, seen in (
                (self.engines, situation.engines),
                (self.apu, situation.apu),
                (self.propeller, situation.propeller),
                (self.holdover, situation.holdover),
            )
            if asked is not None
        ]
        if self.temp_below_c is not None:
            verdicts.append(None if situation.temp_c is None else situation.temp_c < self.temp_below_c)
        if False in verdicts:
            return False
        return None if None in verdicts else True

    @property
    def text(self) -> str:
        """The condition as it stands after "if", empty when there is none."""
        parts = []
        if self.engines is not None:
            parts.append("the engines run" if self.engines is Engines.RUNNING else "the engines are off")
        if self.apu is not None:
            parts.append("the APU runs" if self.apu is Apu.RUNNING else "the APU is off")
        if self.propeller is not None:
            parts.append("it has propellers" if self.propeller else "it has no propellers")
        if self.temp_below_c is not None:
            parts.append(f"it is below {self.temp_below_c:g} °C")
        if self.holdover is not None:
            over = self.holdover is HoldoverState.OVER
            parts.append("the holdover time is over or in doubt" if over else "the holdover time is running")
        return " and ".join(parts)


@dataclass(frozen=True, slots=True)
class Item:
    """One step.

    `starts`: the moments it notes and the times that run from it. `needs`: the times that must be looked at for it.
    `moves`: what it moves. `record`: what is written down at it.
    """

    __pydantic_config__: ClassVar = STRICT

    id: Id
    phase: Phase
    who: Who
    text: Sentence
    source: Source
    when: Condition = Condition()
    starts: tuple[Clock, ...] = ()
    needs: tuple[Clock, ...] = ()
    moves: tuple[Moved, ...] = ()
    record: tuple[Sentence, ...] = ()


@dataclass(frozen=True, slots=True)
class Stop:
    """A reason to stop the treatment, at any time in it."""

    __pydantic_config__: ClassVar = STRICT

    id: Id
    text: Sentence
    source: Source


@dataclass(frozen=True, slots=True)
class Procedure:
    """The steps of one place, in order. `first`: what goes before all of them. `file`: where it is written."""

    place: Place
    title: str
    first: str
    items: tuple[Item, ...]
    stops: tuple[Stop, ...]
    file: str


def steps_after(procedure: Procedure, done: Collection[str]) -> Item | None:
    """Return the next step.

    Parameters
    ----------
    procedure
        Of the place; narrow it with `in_situation` first.
    done
        Ids of the steps that are done. Ids that the procedure does not have count for nothing: its file may have
        changed in between.

    Returns
    -------
    Item
        The first step that is not done, also when later ones are; None when all are.
    """
    return next((item for item in procedure.items if item.id not in done), None)


def done_at(procedure: Procedure, clock: Clock) -> frozenset[str]:
    """Return the ids of the steps that lie behind when a clock has started: all up to the one that starts it.

    Raises
    ------
    ValueError
        When no step of the procedure starts it.
    """
    for number, item in enumerate(procedure.items, 1):
        if clock in item.starts:
            return frozenset(item.id for item in procedure.items[:number])
    raise ValueError(f"no step of {procedure.file} starts {clock}")


def in_situation(procedure: Procedure, situation: Situation) -> Procedure:
    """Return the procedure without the steps that do not count; a step of which this is not known stays."""
    kept = tuple(item for item in procedure.items if item.when.holds(situation) is not False)
    return replace(procedure, items=kept)
