"""The values of the night: the aircraft, the question, and the answer by half hour and by part.

No numpy in them: answers for many stations are kept in memory, and read by rooms that never need it.
"""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple, overload

from watcher.reports.model import Forecast, Observation
from watcher.reports.station import Station
from watcher.rulebook.history import Moment


@dataclass(frozen=True, slots=True)
class Aircraft:
    """What is known of the parked aircraft. None: not known.

    Parameters
    ----------
    fuel_c
        Temperature of the fuel in the wing tanks now, in °C.
    hangar_exit_at, hangar_c
        When it leaves the hangar, and the temperature in there.
    treated_at
        When it was last made clean.
    sheltered
        Share of the sky that the wing sees, 0 to 1.
    emissivity
        Of the upper skin, 0.85 to 0.95 for paint, far less for bare polished metal.
    arrived_at
        When it was parked outside; None: it is taken to have stood there as long as the reports reach back.
    """

    fuel_c: float | None = None
    hangar_exit_at: datetime | None = None
    hangar_c: float | None = None
    treated_at: datetime | None = None
    sheltered: float = 1.0
    emissivity: float | None = None
    arrived_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class NightQuestion:
    """One aircraft at one station, from `now` to `until`.

    `history`: the reports before `latest`, oldest first.
    """

    station: Station
    latest: Observation | None
    history: tuple[Moment, ...]
    forecast: Forecast | None
    now: datetime
    until: datetime
    aircraft: Aircraft = Aircraft()


class Quantiles(NamedTuple):
    """Values that 10, 50 and 90 % of the members stay below."""

    p10: float
    p50: float
    p90: float


class Times(NamedTuple):
    """Times by which it has happened in 10, 50 and 90 % of those members in which it happens at all.

    None: not before the end of the time asked for.
    """

    p10: datetime | None
    p50: datetime | None
    p90: datetime | None


@dataclass(frozen=True, slots=True)
class NightStep:
    """One time of the night.

    `p_active_frost`: the skin is at or below 0 °C and the frost point (in fog also without). `p_deposit`: more than
    10 g/m2 of ice lies on it, snow included. `p_frozen_residual`: water left by rain, dew or melt is frozen on it.
    `p_precipitation`: snow or freezing precipitation has fallen on it and has not gone.
    """

    at: datetime
    p_active_frost: float
    p_deposit: float
    p_frozen_residual: float
    skin_c: Quantiles
    temp_c: Quantiles
    frost_point_c: Quantiles
    p_precipitation: float = 0.0


_P, _SKIN, _AIR = 4, 3, 6


class Steps(Sequence[NightStep]):
    """The steps of a night, packed: a step is made when it is read.

    Parameters
    ----------
    times
        Times of the steps.
    part
        Four probabilities (active frost, deposit, frozen residual, precipitation) and three quantiles of the skin for
        each step.
    air
        Three quantiles of the temperature and three of the frost point for each step; the parts share it.
    """

    __slots__ = ("_air", "_part", "_times")

    def __init__(self, times: tuple[datetime, ...], part: array[float], air: array[float]) -> None:
        if len(part) != len(times) * (_P + _SKIN) or len(air) != len(times) * _AIR:
            raise ValueError("part and air do not fit the times")
        self._times, self._part, self._air = times, part, air

    def __len__(self) -> int:
        return len(self._times)

    @overload
    def __getitem__(self, index: int) -> NightStep: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[NightStep]: ...
    def __getitem__(self, index: int | slice) -> NightStep | Sequence[NightStep]:
        if isinstance(index, slice):
            return tuple(self._step(number) for number in range(*index.indices(len(self))))
        return self._step(range(len(self))[index])

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Steps):
            return NotImplemented
        return self._times == other._times and self._part == other._part and self._air == other._air

    def __hash__(self) -> int:
        return hash((self._times, self._part.tobytes(), self._air.tobytes()))

    def _step(self, number: int) -> NightStep:
        part = self._part[number * (_P + _SKIN) : (number + 1) * (_P + _SKIN)]
        air = self._air[number * _AIR : (number + 1) * _AIR]
        return NightStep(
            at=self._times[number],
            p_active_frost=part[0],
            p_deposit=part[1],
            p_frozen_residual=part[2],
            p_precipitation=part[3],
            skin_c=Quantiles(*part[_P:]),
            temp_c=Quantiles(*air[:3]),
            frost_point_c=Quantiles(*air[3:]),
        )


@dataclass(frozen=True, slots=True)
class PartNight:
    """The night of one part of the wing: `dry_bay`, `tank_full` or `tank_part`.

    Parameters
    ----------
    p_any
        Chance of active frost at any time of the night.
    p_deposit, p_frozen_residual, p_precipitation
        Chances at the end: see NightStep.
    onset, end
        When frost begins to form, and when it forms no longer; None where it forms in too few members to say.
    deposit_end
        When the deposit has gone by melting or sublimation, which is later than `end`.
    likely_from, likely_until
        First and last time at which active frost is at least as likely as not.
    """

    part: str
    p_any: float
    p_deposit: float
    p_frozen_residual: float
    p_precipitation: float
    onset: Times | None
    end: Times | None
    deposit_end: Times | None
    likely_from: datetime | None
    likely_until: datetime | None
    steps: Steps


@dataclass(frozen=True, slots=True)
class Night:
    """The answer. `parts` is empty and `p_any` None where no temperature is known at all.

    Parameters
    ----------
    begins_at, ends_at
        The times asked for, to the full ten minutes: the first at or before `now`, the last at or after `until`.
    members
        Size of the ensemble.
    parts
        Dry bay, full tank, part full tank.
    worst_part, onset, end, p_any
        Those of the part that is most likely to be frosted.
    notes
        What widened the answer, what is not known and what else lies on the wing, in plain sentences.
    observed_at, forecast_issued_at
        Of the reports that were used; None: none.
    """

    station: str
    begins_at: datetime
    ends_at: datetime
    members: int
    parts: tuple[PartNight, ...]
    worst_part: str | None
    onset: Times | None
    end: Times | None
    p_any: float | None
    notes: tuple[str, ...]
    observed_at: datetime | None
    forecast_issued_at: datetime | None

    @property
    def worst(self) -> PartNight | None:
        """The part that is most likely to be frosted."""
        return next((part for part in self.parts if part.part == self.worst_part), None)

    @property
    def report_age(self) -> timedelta | None:
        """Age of the report at the beginning."""
        return None if self.observed_at is None else max(timedelta(0), self.begins_at - self.observed_at)
