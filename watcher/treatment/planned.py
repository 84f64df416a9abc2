"""The values of a plan: places with their times, clocks and chances, and the choice. No numpy in them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from watcher.treatment.departures import Departure
from watcher.treatment.kinds import Contamination, Engines, Place
from watcher.treatment.profiles import AircraftProfile, OfferedFluid
from watcher.treatment.question import Holdover


class Verdict(StrEnum):
    """Whether the protection lasts to the take-off, the best first."""

    FITS = "fits"
    TIGHT = "tight"
    DOES_NOT_FIT = "does-not-fit"


# Take-off within the lower time in so many of the members. Common practice, no source.
FITS_FROM, TIGHT_FROM = 0.9, 0.5


@dataclass(frozen=True, slots=True)
class Moments:
    """A time: it comes before these in 10, 50 and 90 % of the members."""

    p10: datetime
    p50: datetime
    p90: datetime


@dataclass(frozen=True, slots=True)
class Stage:
    """One step of the chain."""

    name: str
    begins: Moments
    ends: Moments


@dataclass(frozen=True, slots=True)
class ClockTimes:
    """The clocks of a treatment; None: not known, or there is none.

    `starts_at`: start of the final application; the holdover times end so long after it. The waits before bleed air
    count from the end of the treatment and are ends of waits, not permissions.
    """

    starts_at: datetime
    lower_ends_at: datetime | None
    upper_ends_at: datetime | None
    engine_bleed_wait_ends: datetime | None
    apu_bleed_wait_ends: datetime | None


@dataclass(frozen=True, slots=True)
class Option:
    """Treatment at one site.

    Parameters
    ----------
    not_offered
        Why it cannot be done here; then nothing else is given but the place.
    call_by
        Latest sensible call; `call_late`: it should have been before now.
    times
        ERZT, ECZT, EEZT and TTOT.
    fluid, holdover
        Of the final application, and what the tables say of it.
    lout_c
        Lowest temperature at which that fluid may be used, in °C; None: not known.
    p_within_lower, p_within_upper, p_no_time
        Chances that the take-off is within the holdover times, and that there is none. None: cannot be told.
    p_slot
        Chance of taking off within the slot; None without one.
    early_min
        Minutes for which half of the members wait at the runway for the slot to open, their protection running out.
    fuel_kg
        Burned while waiting with engines running, in half of the members at most; None: not known.
    verdict
        None: cannot be told.
    why
        One sentence.
    """

    place: Place
    site: str
    provider: str
    not_offered: str | None = None
    engines: Engines | None = None
    call_by: datetime | None = None
    call_late: bool = False
    stages: tuple[Stage, ...] = ()
    times: Mapping[str, Moments] | None = None
    fluid: OfferedFluid | None = None
    holdover: Holdover | None = None
    clocks: ClockTimes | None = None
    p_within_lower: float | None = None
    p_within_upper: float | None = None
    p_no_time: float | None = None
    p_slot: float | None = None
    early_min: int = 0
    fuel_kg: float | None = None
    verdict: Verdict | None = None
    why: str = ""
    lout_c: float | None = None

    @property
    def take_off(self) -> Moments | None:
        """TTOT."""
        return None if self.times is None else self.times["TTOT"]


@dataclass(frozen=True, slots=True)
class Need:
    """Whether there is anything to treat when the treatment would begin.

    `p_any`: something lies on it, or frost forms or something falls up to the take-off; `p_protection`: the latter.
    `kinds`: chance of each deposit; `likeliest`: of those, None where none is likely.
    """

    p_any: float
    p_protection: float
    kinds: Mapping[Contamination, float]
    likeliest: Contamination | None


@dataclass(frozen=True, slots=True)
class Plan:
    """The answer. `choice`: None where nothing fits or cannot be told; `why` says so in one sentence."""

    departure: Departure
    profile: AircraftProfile
    runway: str | None
    made_at: datetime
    members: int
    need: Need | None
    options: tuple[Option, ...]
    choice: Option | None
    why: str
    notes: tuple[str, ...]
    observed_at: datetime | None
    forecast_issued_at: datetime | None

    @property
    def training(self) -> bool:
        """Whether a figure comes from tables that are not in force."""
        return any(option.holdover is not None and option.holdover.training for option in self.options)
