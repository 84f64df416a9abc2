"""Aircraft and stations as a plan of a treatment needs them: sizes, tanks, waits; pads, rigs, hours and durations."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import time
from math import isfinite
from typing import Annotated, ClassVar, Literal

from pydantic import Field, PlainValidator

from watcher.errors import Problem, UsageError, nearest
from watcher.treatment.kinds import (
    ApuPlace,
    Contamination,
    EnginePlace,
    Engines,
    Flaps,
    Place,
    Size,
    Tank,
)
from watcher.treatment.words import FluidType, Surface
from watcher.treatment.written import STRICT

Name = Annotated[str, Field(min_length=1, max_length=60)]
Code = Annotated[str, Field(pattern=r"^[A-Z][A-Z0-9]{3}$")]
Runway = Annotated[str, Field(pattern=r"^(0[1-9]|[12]\d|3[0-6])[LCR]?$")]
Sentence = Annotated[str, Field(min_length=3, max_length=400)]
Source = Annotated[str, Field(min_length=3, max_length=200)]
Minutes = Annotated[float, Field(ge=0, le=240, allow_inf_nan=False)]
Rate = Annotated[float, Field(ge=0, le=1000, allow_inf_nan=False)]


@dataclass(frozen=True, slots=True)
class Spread:
    """A figure that varies: one in ten is below `p10`, half below `p50`, nine in ten below `p90`.

    Raises
    ------
    ValueError
        When one is negative or no number, or they are not in order.
    """

    __pydantic_config__: ClassVar = STRICT

    p10: float
    p50: float
    p90: float

    def __post_init__(self) -> None:
        values = (self.p10, self.p50, self.p90)
        if not all(isfinite(value) and value >= 0 for value in values):
            raise ValueError("p10, p50 and p90 are numbers of 0 or more")
        if not self.p10 <= self.p50 <= self.p90:
            raise ValueError("p10, p50 and p90 rise: p10 <= p50 <= p90")


@dataclass(frozen=True, slots=True)
class Duration(Spread):
    """Minutes."""


@dataclass(frozen=True, slots=True)
class Litres(Spread):
    """Litres of fluid as sprayed."""


@dataclass(frozen=True, slots=True)
class AircraftProfile:
    """One kind of aircraft. None: not known.

    Parameters
    ----------
    engine_bleed_wait_min, apu_bleed_wait_min
        Minutes from the end of a treatment before bleed air is taken, by the manual of the aircraft.
    flaps_during_treatment
        Extended: holdover and allowance times count at 0.76.
    idle_fuel_kg_min, apu_fuel_kg_min
        Fuel burned in a minute with all engines at idle, and by the APU.
    source, waits_source
        Where the profile and where its waits come from.
    """

    __pydantic_config__: ClassVar = STRICT

    name: Name
    size: Size
    engines: Annotated[int, Field(ge=1, le=8)]
    propeller: bool
    source: Source
    wing_area_m2: Annotated[float, Field(gt=0, le=1000)] | None = None
    wing_material: Literal[Surface.ALUMINIUM, Surface.COMPOSITE] | None = None
    tank: Tank | None = None
    engine_place: EnginePlace | None = None
    apu: ApuPlace | None = None
    engine_bleed_wait_min: Minutes | None = None
    apu_bleed_wait_min: Minutes | None = None
    waits_source: Source | None = None
    flaps_during_treatment: Flaps | None = None
    idle_fuel_kg_min: Rate | None = None
    apu_fuel_kg_min: Rate | None = None

    def __post_init__(self) -> None:
        waits = (self.engine_bleed_wait_min, self.apu_bleed_wait_min)
        if waits != (None, None) and self.waits_source is None:
            raise ValueError("a wait is given without waits_source")
        if self.apu is ApuPlace.NONE and (self.apu_bleed_wait_min, self.apu_fuel_kg_min) != (None, None):
            raise ValueError("a wait or fuel is given for an APU that it does not have")


@dataclass(frozen=True, slots=True)
class FluidNeed:
    """How much fluid an aircraft of a size takes for each of the two steps."""

    __pydantic_config__: ClassVar = STRICT

    size: Size
    contamination: Contamination
    de_icing: Litres
    source: Source
    anti_icing: Litres | None = None


@dataclass(frozen=True, slots=True)
class Fleet:
    """The aircraft profiles by name, and what they take. `file`: where they are written."""

    profiles: Mapping[str, AircraftProfile]
    needs: Mapping[tuple[Size, Contamination], FluidNeed]
    file: str

    def profile(self, name: str, where: str = "aircraft") -> AircraftProfile:
        """Return an aircraft; UsageError, at `where`, names the nearest one."""
        if name not in self.profiles:
            what = f'"{name}" is not in {self.file}' if name else "is not given"
            raise UsageError([Problem(where, what, nearest(name, self.profiles))])
        return self.profiles[name]


@dataclass(frozen=True, slots=True)
class Hours:
    """Wall time at the station; may cross midnight. Equal beginning and end: the whole day."""

    begin: time
    end: time

    def hold(self, wall: time) -> bool:
        """Return whether a wall time lies in them: the beginning does, the end does not."""
        if self.begin < self.end:
            return self.begin <= wall < self.end
        return wall >= self.begin or wall < self.end


def _hours(text: object) -> Hours:
    found = re.fullmatch(r"([01]\d|2[0-3]):([0-5]\d)-([01]\d|2[0-3]):([0-5]\d)", str(text))
    if found is None:
        raise ValueError(f'"{text}" are no hours; write for example 04:30-22:00')
    hour, minute, last_hour, last_minute = map(int, found.groups())
    return Hours(time(hour, minute), time(last_hour, last_minute))


@dataclass(frozen=True, slots=True)
class Site:
    """Where aircraft are treated at a station, and by whom.

    Parameters
    ----------
    bays, rigs
        Aircraft treated at once, and rigs (trucks) for all of them.
    notice
        Minutes from the call until a rig is there.
    get_ready
        Minutes from the aircraft standing there until the first fluid.
    leave
        Minutes from the last fluid until the aircraft may move: check, final code, equipment clear.
    pace
        Times of the treatment here, as a share of those of the station.
    taxi_in
        Minutes from the stand; None where there is nothing to taxi.
    taxi_out
        Minutes from here to the holding point of each runway, without a queue.
    hours
        None: always.
    sizes
        That it can take.
    engines
        By the local procedure; None: as the crew and the ground crew agree.
    """

    __pydantic_config__: ClassVar = STRICT

    name: Name
    place: Place
    provider: Name
    bays: Annotated[int, Field(ge=1, le=200)]
    rigs: Annotated[int, Field(ge=1, le=200)]
    notice: Duration
    get_ready: Duration
    leave: Duration
    taxi_out: Annotated[Mapping[Runway, Duration], Field(min_length=1)]
    source: Source
    taxi_in: Duration | None = None
    pace: Annotated[float, Field(gt=0, le=10, allow_inf_nan=False)] = 1.0
    hours: Annotated[Hours, PlainValidator(_hours)] | None = None
    sizes: Annotated[tuple[Size, ...], Field(min_length=1)] = tuple(Size)
    engines: Engines | None = None


@dataclass(frozen=True, slots=True)
class TreatmentTime:
    """Minutes of spraying, for each of the two steps. None: no second step."""

    __pydantic_config__: ClassVar = STRICT

    size: Size
    contamination: Contamination
    de_icing: Duration
    source: Source
    anti_icing: Duration | None = None


@dataclass(frozen=True, slots=True)
class OfferedFluid:
    """A fluid in one mix, and where it can be had.

    `mix`: fluid to water, such as 75/25. `freezing_point_c`: of this mix. `acceptance_c`: lowest temperature at which
    this mix flows off well enough on the take-off run. None: not known.
    """

    __pydantic_config__: ClassVar = STRICT

    type: FluidType
    mix: Annotated[str, Field(pattern=r"^\d{1,3}/\d{1,2}$")]
    places: Annotated[tuple[Place, ...], Field(min_length=1)]
    heated: bool
    source: Source
    freezing_point_c: Annotated[float, Field(ge=-90, le=0)] | None = None
    acceptance_c: Annotated[float, Field(ge=-90, le=0)] | None = None

    def __post_init__(self) -> None:
        if sum(int(part) for part in self.mix.split("/")) != 100:
            raise ValueError(f"mix {self.mix} does not add up to 100")

    @property
    def name(self) -> str:
        """Type and mix: ``Type IV 75/25``."""
        return f"{self.type} {self.mix}"


@dataclass(frozen=True, slots=True)
class Operations:
    """How one station treats aircraft and sends them out.

    `queue`: minutes at the holding point of each runway. `local`: the local procedure, in sentences.
    """

    station: str
    zone: str
    sites: tuple[Site, ...]
    times: Mapping[tuple[Size, Contamination], TreatmentTime]
    fluids: tuple[OfferedFluid, ...]
    push_back: Duration
    engine_start: Duration
    queue: Mapping[str, Duration]
    local: tuple[str, ...]
    source: str

    def at(self, place: Place) -> tuple[Site, ...]:
        """Return the sites of a place, in the order of the file."""
        return tuple(site for site in self.sites if site.place == place)
