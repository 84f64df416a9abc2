"""How long a fluid protects, member by member: the worst condition between its application and the take-off.

The clock runs from the start of the final application. An improvement in between lengthens nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import numpy.typing as npt

from watcher.physics.arrays import Array
from watcher.treatment.application import FluidRules
from watcher.treatment.holdover import look_up
from watcher.treatment.kinds import Flaps, Tank
from watcher.treatment.profiles import AircraftProfile, OfferedFluid
from watcher.treatment.question import Holdover, HoldoverQuestion, Outcome
from watcher.treatment.tables import Tables
from watcher.treatment.usable import lowest_use_c, refusal
from watcher.treatment.weather_ahead import Ahead, Mask
from watcher.treatment.words import Surface

# Minutes that stand for an outcome without minutes: nothing to protect from, none exists, none can be told.
_ENDLESS, _UNTOLD, _NONE = np.inf, -1.0, -2.0
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
        Members x 1; None where it cannot be told.
    """

    fluid: OfferedFluid
    answer: Holdover
    p_within_lower: float | None
    p_within_upper: float | None
    p_none: float | None
    within_lower: Mask | None


class Lookups:
    """Answers of the tables for one station's hours ahead, each looked up once.

    Parameters
    ----------
    ahead
        The hours ahead.
    tables, rules
        Of holdover times and for fluids.
    now
        Aware UTC; decides which tables are in force.
    training
        Allow old tables.
    """

    def __init__(self, ahead: Ahead, tables: Tables, rules: FluidRules, now: datetime, *, training: bool) -> None:
        self._ahead, self._tables, self._rules, self._now, self._training = ahead, tables, rules, now, training
        self._coldest_c = np.floor(np.minimum(ahead.temp_c, ahead.skin_c)).astype(np.intp)
        self._refusals: dict[tuple[OfferedFluid, int], str | None] = {}
        low, high = np.floor(ahead.temp_c.min()), np.ceil(ahead.temp_c.max())
        cuts = {*tables.breaks_c, *np.arange(low, high + 1)}
        self._cuts = np.array(sorted(cut for cut in cuts if low <= cut <= high))
        self._codes = self._coded()
        self._found: dict[HoldoverQuestion, Holdover] = {}

    def _coded(self) -> npt.NDArray[np.int64]:
        """Return one number for each step and member that names all that the tables are asked by."""
        ahead = self._ahead
        bucket = np.searchsorted(self._cuts, ahead.temp_c, side="right")
        night = np.full(len(bucket), 2) if ahead.night is None else ahead.night.astype(np.int64)
        codes = (ahead.falls.astype(np.int64) * 3 + night[:, None]) * 2 + ahead.frost
        return np.asarray(codes * (len(self._cuts) + 1) + bucket)

    def cover(self, fluid: OfferedFluid, profile: AircraftProfile, final_start: Array, take_off: Array) -> Cover:
        """Return what a fluid gives.

        Parameters
        ----------
        fluid
            Of the final application.
        profile
            The aircraft.
        final_start, take_off
            Minutes from the beginning of the hours ahead, for every member.
        """
        first, last = self._ahead.step_of(final_start), self._ahead.step_of(take_off)
        begin, end = int(first.min()), int(last.max()) + 1
        steps = np.arange(begin, end)[:, None]
        inside = (steps >= first) & (steps <= last)
        answers, numbers = self._answers(fluid, profile, self._codes[begin:end])
        lower = np.array([_minutes(each, each.lower_min) for each in answers])[numbers]
        upper = np.array([_minutes(each, each.upper_min) for each in answers])[numbers]
        refused = self._forbid(fluid, lower, upper, slice(begin, end))
        lower, upper = np.where(inside, lower, _ENDLESS), np.where(inside, upper, _ENDLESS)
        self._beyond(take_off, lower, upper)
        worst = np.argmin(lower, axis=0)
        deciding = numbers[worst, np.arange(numbers.shape[1])]
        lowest = lower.min(axis=0)
        said = [_said(answers[each], minutes, refused) for each, minutes in zip(deciding, lowest, strict=True)]
        return _cover(fluid, said, lowest, upper.min(axis=0), take_off - final_start)

    def _answers(
        self, fluid: OfferedFluid, profile: AircraftProfile, codes: npt.NDArray[np.int64]
    ) -> tuple[list[Holdover], npt.NDArray[np.intp]]:
        found, numbers = np.unique(codes, return_inverse=True)
        return [self._answer(fluid, profile, int(code)) for code in found], numbers.reshape(codes.shape)

    def _answer(self, fluid: OfferedFluid, profile: AircraftProfile, code: int) -> Holdover:
        rest, bucket = divmod(code, len(self._cuts) + 1)
        rest, frost = divmod(rest, 2)
        falls, night = divmod(rest, 3)
        falling, temp_c = self._ahead.falling[falls], self._temp_c(bucket)
        question = HoldoverQuestion(
            fluid=fluid.type,
            mix=fluid.mix if fluid.type.thickened else None,
            temp_low_c=temp_c,
            temp_high_c=temp_c,
            weather=falling.weather,
            visibility_m=falling.visibility_m,
            visibility_bound=falling.visibility_bound,
            night=None if night == 2 else bool(night),
            surface=profile.wing_material or Surface.UNKNOWN,
            flaps_set=profile.flaps_during_treatment is not Flaps.RETRACTED,
            active_frost=bool(frost),
            cold_soaked_wing=False if profile.tank is Tank.CLEAR_OF_SKIN else None,
            automatic=falling.automatic,
        )
        if question not in self._found:
            self._found[question] = look_up(question, self._tables, self._now, training=self._training)
        return self._found[question]

    def _temp_c(self, bucket: int) -> float:
        """Return a temperature that stands for all between two cuts: no table changes between them."""
        if bucket == 0:
            return float(self._cuts[0]) - 0.5
        if bucket == len(self._cuts):
            return float(self._cuts[-1]) + 0.5
        return float(self._cuts[bucket - 1] + self._cuts[bucket]) / 2

    def _forbid(self, fluid: OfferedFluid, lower: Array, upper: Array, steps: slice) -> str:
        """Take the time away where air or skin is too cold for the fluid, to the whole degree below; return why."""
        if lowest_use_c(fluid, self._rules) is None:
            lower[:] = upper[:] = _UNTOLD
            return "the lowest temperature of its use is not known"
        degrees, numbers = np.unique(self._coldest_c[steps], return_inverse=True)
        reasons = [self._refusal(fluid, int(degree)) for degree in degrees]
        refused = np.array([reason is not None for reason in reasons])[numbers].reshape(lower.shape)
        lower[refused] = upper[refused] = _NONE
        return next((reason for reason in reasons if reason is not None), "")

    def _refusal(self, fluid: OfferedFluid, degree: int) -> str | None:
        key = fluid, degree
        if key not in self._refusals:
            self._refusals[key] = refusal(fluid, self._rules, float(degree))
        return self._refusals[key]

    def _beyond(self, take_off: Array, lower: Array, upper: Array) -> None:
        """Leave untold what happens after the hours that are known."""
        late = take_off > self._ahead.minutes(self._ahead.ends_at)
        lower[-1, late] = np.minimum(lower[-1, late], _UNTOLD)
        upper[-1, late] = np.minimum(upper[-1, late], _UNTOLD)


def _minutes(answer: Holdover, minutes: int | None) -> float:
    match answer.outcome:
        case Outcome.NOT_NEEDED:
            return _ENDLESS
        case Outcome.TIME:
            return _UNTOLD if minutes is None else float(minutes)
        case Outcome.UNKNOWN | Outcome.OUT_OF_SEASON:
            return _UNTOLD
        case _:
            return _NONE


def _said(answer: Holdover, minutes: float, refused: str) -> Holdover:
    """Return the answer of a member; without the time of its table where something else has taken that away."""
    if minutes >= 0 or answer.outcome not in {Outcome.TIME, Outcome.NOT_NEEDED}:
        return answer
    beyond = minutes == _UNTOLD and not refused
    outcome = Outcome.NONE if minutes == _NONE else Outcome.UNKNOWN
    why = "The take-off may lie beyond the hours that are known." if beyond else f"Of this fluid, {refused}."
    return replace(answer, outcome=outcome, column=None, lower_min=None, upper_min=None, why=why)


def _cover(fluid: OfferedFluid, deciding: list[Holdover], lower: Array, upper: Array, lasts: Array) -> Cover:
    none, untold = float((lower == _NONE).mean()), float((lower == _UNTOLD).mean())
    if any(answer.outcome is Outcome.OUT_OF_SEASON for answer in deciding):
        late = next(answer for answer in deciding if answer.outcome is Outcome.OUT_OF_SEASON)
        return Cover(fluid, late, None, None, None, None)
    if untold > _UNTOLD_SHARE:
        member = int(np.flatnonzero(lower == _UNTOLD)[0])
        return Cover(fluid, deciding[member], None, None, None, None)
    if none > _MOSTLY:
        member = int(np.flatnonzero(lower == _NONE)[0])
        return Cover(fluid, deciding[member], None, None, none, np.zeros(len(lower), np.bool_))
    timed = np.flatnonzero(lower >= 0)
    ordered = timed[np.argsort(lower[timed], kind="stable")]
    member = int(ordered[len(ordered) // 10])
    within = lasts <= lower
    return Cover(fluid, deciding[member], float(within.mean()), float((lasts <= upper).mean()), none, within)
