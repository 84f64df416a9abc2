"""How long a fluid protects, member by member: the worst condition between its application and the take-off.

The clock runs from the start of the final application. An improvement in between lengthens nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from watcher.physics.arrays import Array
from watcher.treatment.falling import Mask
from watcher.treatment.lookups import ENDLESS, NO_TIME, OUT_OF_SEASON, UNTOLD, Column, Lookups
from watcher.treatment.profiles import AircraftProfile, OfferedFluid
from watcher.treatment.question import Holdover, Outcome

# More members than this without an answer: no chance is given. Common practice, no source.
_UNTOLD_SHARE = 0.1
_MOSTLY = 0.5


@dataclass(frozen=True, slots=True)
class Cover:
    """What one fluid gives, over all members.

    Attributes
    ----------
    answer
        The look-up that counts: of the members that have a time, nine in ten have at least this one; where most have
        none, the reason of most.
    p_within_lower, p_within_upper
        Chance that the take-off is within the lower and upper time; None where it cannot be told or no time exists.
    p_none
        Chance that no holdover time exists; None where it cannot be told.
    within_lower
        For every member; None where it cannot be told.
    lowest_use_c
        Lowest temperature at which the fluid may be used, in °C; None: not known.
    """

    fluid: OfferedFluid
    answer: Holdover
    p_within_lower: float | None
    p_within_upper: float | None
    p_none: float | None
    within_lower: Mask | None
    lowest_use_c: float | None = None


def covers(
    lookups: Lookups, fluids: Sequence[OfferedFluid], profile: AircraftProfile, final_start: Array, take_off: Array
) -> list[Cover]:
    """Return what each fluid gives.

    Parameters
    ----------
    lookups
        The tables over the hours ahead.
    fluids
        Each as the final application.
    profile
        The aircraft.
    final_start, take_off
        Minutes from the beginning of the hours ahead, for every member.
    """
    ahead = lookups.ahead
    first, last = ahead.step_of(final_start), ahead.step_of(take_off)
    begin, end = int(first.min()), int(last.max()) + 1
    steps = np.arange(begin, end)[:, None]
    window = _Window(
        slice(begin, end),
        (steps >= first) & (steps <= last),
        take_off > ahead.minutes(ahead.ends_at),
        take_off - final_start,
    )
    return [_cover(lookups, fluid, profile, window) for fluid in fluids]


@dataclass(frozen=True, slots=True)
class _Window:
    """The steps between final application and take-off; `beyond`: members that take off after the hours known."""

    steps: slice
    inside: Mask
    beyond: Mask
    lasts: Array


def _cover(lookups: Lookups, fluid: OfferedFluid, profile: AircraftProfile, window: _Window) -> Cover:
    numbers = lookups.numbers[window.steps]
    column = lookups.column(fluid, profile, window.steps)
    lower, upper = column.lower[numbers], column.upper[numbers]
    refused = lookups.refused(fluid)
    for minutes in (lower, upper):
        if refused is None:
            minutes[:] = UNTOLD
        else:
            minutes[refused[0][window.steps]] = NO_TIME
        minutes[-1, window.beyond] = np.minimum(minutes[-1, window.beyond], UNTOLD)
        minutes[~window.inside] = ENDLESS
    members = np.arange(lower.shape[1])
    worst = np.argmin(lower, axis=0)
    reason = None if refused is None else refused[1]
    told = _Told(fluid, column, numbers[worst, members], lower[worst, members], upper.min(axis=0), reason)
    return replace(_counted(told, window.lasts), lowest_use_c=lookups.lowest_use_c(fluid))


@dataclass(frozen=True, slots=True)
class _Told:
    """What every member says of a fluid: the number of the deciding answer, and the shortest times.

    `refused`: why it may be too cold for it, empty where it is not; None: its lowest temperature is not known.
    """

    fluid: OfferedFluid
    column: Column
    asked: npt.NDArray[np.intp]
    lower: Array
    upper: Array
    refused: str | None

    def answer(self, members: npt.NDArray[np.intp], place: int = 0) -> Holdover:
        """Return the answer of one of some members; without the time that something else has taken away."""
        member = int(members[place])
        answer, minutes = self.column.answers[int(self.asked[member])], float(self.lower[member])
        assert answer is not None
        if minutes >= 0 or answer.outcome not in {Outcome.TIME, Outcome.NOT_NEEDED}:
            return answer
        if minutes == NO_TIME:
            outcome, why = Outcome.NONE, f"Of this fluid, {self.refused}."
        elif self.refused is None:
            outcome, why = Outcome.UNKNOWN, "The lowest temperature for the use of this fluid is not known."
        else:
            outcome, why = Outcome.UNKNOWN, "The take-off may lie beyond the hours that are known."
        return replace(answer, outcome=outcome, column=None, lower_min=None, upper_min=None, why=why)


def _counted(told: _Told, lasts: Array) -> Cover:
    """Return the chances over all members, and the answer that stands for them."""
    lower, fluid = told.lower, told.fluid
    none, untold = float((lower == NO_TIME).mean()), float((lower == UNTOLD).mean())
    late = np.flatnonzero(lower == OUT_OF_SEASON)
    if late.size:
        return Cover(fluid, told.answer(late), None, None, None, None)
    if untold > _UNTOLD_SHARE:
        return Cover(fluid, told.answer(np.flatnonzero(lower == UNTOLD)), None, None, None, None)
    within = lasts <= lower
    if none > _MOSTLY:
        return Cover(fluid, told.answer(np.flatnonzero(lower == NO_TIME)), None, None, none, within)
    timed = np.flatnonzero(lower >= 0)
    ordered = timed[np.argsort(lower[timed], kind="stable")]
    chances = float(within.mean()), float((lasts <= told.upper).mean())
    return Cover(fluid, told.answer(ordered, len(ordered) // 10), *chances, none, within)
