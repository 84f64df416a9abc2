"""How long a fluid protects, member by member: the worst condition between its application and the take-off.

The clock runs from the start of the final application. An improvement in between lengthens nothing.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field, replace
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

# Minutes that stand for an outcome without minutes: nothing to protect from, tables out of season, none can be told,
# none exists. The lower the worse.
_ENDLESS, _OUT_OF_SEASON, _UNTOLD, _NONE = np.inf, -0.5, -1.0, -2.0
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
    """

    fluid: OfferedFluid
    answer: Holdover
    p_within_lower: float | None
    p_within_upper: float | None
    p_none: float | None
    within_lower: Mask | None


@dataclass(frozen=True, slots=True)
class Known:
    """What the tables and the rules for fluids have answered already, for any station and aircraft."""

    answers: dict[Hashable, Holdover] = field(default_factory=dict)
    refusals: dict[tuple[OfferedFluid, int], str | None] = field(default_factory=dict)


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
    known
        Answers that are known already, and where new ones are kept: of the same tables, rules, time and training.
    """

    def __init__(
        self,
        ahead: Ahead,
        tables: Tables,
        rules: FluidRules,
        now: datetime,
        *,
        training: bool,
        known: Known | None = None,
    ) -> None:
        self._ahead, self._tables, self._rules, self._now, self._training = ahead, tables, rules, now, training
        self._known = Known() if known is None else known
        low, high = np.floor(ahead.temp_c.min()), np.ceil(ahead.temp_c.max())
        # Where what falls contradicts the temperature lies above 0 °C, at a whole degree.
        cuts = {low, *tables.breaks_c, *np.arange(1, max(high, 1) + 1)}
        self._cuts = np.array(sorted(float(cut) for cut in cuts if low <= cut <= high))
        self._codes, self._numbers = self._numbered()
        coldest = np.floor(np.minimum(ahead.temp_c, ahead.skin_c)).astype(np.intp)
        self._coldest_c = int(coldest.min())
        self._degrees = coldest - self._coldest_c
        self._columns: dict[Hashable, _Column] = {}
        self._refused: dict[OfferedFluid, tuple[Mask, str]] = {}

    def _numbered(self) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.intp]]:
        """Return what the tables can be asked, each coded once, and which of it each step and member asks."""
        ahead = self._ahead
        bucket = np.searchsorted(self._cuts, ahead.temp_c, side="right")
        night = np.full(len(bucket), 2) if ahead.night is None else ahead.night.astype(np.int64)
        codes = (ahead.falls.astype(np.int64) * 3 + night[:, None]) * 2 + ahead.frost
        codes = codes * (len(self._cuts) + 1) + bucket
        found, numbers = np.unique(codes, return_inverse=True)
        return found, numbers.reshape(codes.shape)

    def covers(
        self, fluids: Sequence[OfferedFluid], profile: AircraftProfile, final_start: Array, take_off: Array
    ) -> list[Cover]:
        """Return what each fluid gives.

        Parameters
        ----------
        fluids
            Each as the final application.
        profile
            The aircraft.
        final_start, take_off
            Minutes from the beginning of the hours ahead, for every member.
        """
        first, last = self._ahead.step_of(final_start), self._ahead.step_of(take_off)
        begin, end = int(first.min()), int(last.max()) + 1
        steps = np.arange(begin, end)[:, None]
        window = _Window(
            slice(begin, end),
            (steps >= first) & (steps <= last),
            self._numbers[begin:end],
            take_off > self._ahead.minutes(self._ahead.ends_at),
            take_off - final_start,
        )
        return [self._cover(fluid, profile, window) for fluid in fluids]

    def _cover(self, fluid: OfferedFluid, profile: AircraftProfile, window: _Window) -> Cover:
        column = self._column(fluid, profile)
        for number in np.flatnonzero(np.bincount(window.numbers.ravel(), minlength=len(self._codes))):
            if column.answers[number] is None:
                column.put(int(number), self._answer(column, int(self._codes[number])))
        lower, upper = column.lower[window.numbers], column.upper[window.numbers]
        refused = self._refuse(fluid, lower, upper, window.steps)
        for minutes in (lower, upper):
            minutes[-1, window.beyond] = np.minimum(minutes[-1, window.beyond], _UNTOLD)
            minutes[~window.inside] = _ENDLESS
        members = np.arange(lower.shape[1])
        worst = np.argmin(lower, axis=0)
        asked = window.numbers[worst, members]
        return _counted(fluid, column, refused, asked, lower[worst, members], upper.min(axis=0), window.lasts)

    def _column(self, fluid: OfferedFluid, profile: AircraftProfile) -> _Column:
        question = _question(fluid, profile)
        if question not in self._columns:
            self._columns[question] = _Column(question, len(self._codes))
        return self._columns[question]

    def _answer(self, column: _Column, code: int) -> Holdover:
        rest, bucket = divmod(code, len(self._cuts) + 1)
        rest, frost = divmod(rest, 2)
        falls, night = divmod(rest, 3)
        falling, temp_c = self._ahead.falling[falls], self._temp_c(bucket)
        key = column.question, falling, temp_c, night, frost
        if key not in self._known.answers:
            question = replace(
                column.question,
                temp_low_c=temp_c,
                temp_high_c=temp_c,
                weather=falling.weather,
                visibility_m=falling.visibility_m,
                visibility_bound=falling.visibility_bound,
                automatic=falling.automatic,
                night=None if night == 2 else bool(night),
                active_frost=bool(frost),
            )
            self._known.answers[key] = look_up(question, self._tables, self._now, training=self._training)
        return self._known.answers[key]

    def _temp_c(self, bucket: int) -> float:
        """Return a temperature that stands for all between two cuts: no table changes between them."""
        if bucket == 0:
            return float(self._cuts[0]) - 0.5
        if bucket == len(self._cuts):
            return float(self._cuts[-1]) + 0.5
        return float(self._cuts[bucket - 1] + self._cuts[bucket]) / 2

    def _refuse(self, fluid: OfferedFluid, lower: Array, upper: Array, steps: slice) -> str:
        """Take the time away where air or skin is too cold for the fluid, to the whole degree below; return why."""
        if lowest_use_c(fluid, self._rules) is None:
            lower[:] = upper[:] = _UNTOLD
            return "the lowest temperature of its use is not known"
        if fluid not in self._refused:
            reasons = [self._refusal(fluid, self._coldest_c + each) for each in range(int(self._degrees.max()) + 1)]
            self._refused[fluid] = (
                np.array([reason is not None for reason in reasons]),
                next((reason for reason in reasons if reason is not None), ""),
            )
        refused, why = self._refused[fluid]
        if why:
            where = refused[self._degrees[steps]]
            lower[where] = upper[where] = _NONE
        return why

    def _refusal(self, fluid: OfferedFluid, degree: int) -> str | None:
        key = fluid, degree
        if key not in self._known.refusals:
            self._known.refusals[key] = refusal(fluid, self._rules, float(degree))
        return self._known.refusals[key]


@dataclass(frozen=True, slots=True)
class _Window:
    """The steps between final application and take-off; `beyond`: members that take off after the hours known."""

    steps: slice
    inside: Mask
    numbers: npt.NDArray[np.intp]
    beyond: Mask
    lasts: Array


class _Column:
    """What the tables say for one fluid and aircraft, by the number of what is asked; filled when it is asked."""

    def __init__(self, question: HoldoverQuestion, count: int) -> None:
        self.question = question
        self.answers: list[Holdover | None] = [None] * count
        self.lower, self.upper = np.empty(count), np.empty(count)

    def put(self, number: int, answer: Holdover) -> None:
        self.answers[number] = answer
        self.lower[number], self.upper[number] = _minutes(answer, answer.lower_min), _minutes(answer, answer.upper_min)


def _question(fluid: OfferedFluid, profile: AircraftProfile) -> HoldoverQuestion:
    """Return what is asked for a fluid and an aircraft, the weather left open."""
    return HoldoverQuestion(
        fluid=fluid.type,
        mix=fluid.mix if fluid.type.thickened else None,
        temp_low_c=None,
        temp_high_c=None,
        weather=None,
        surface=profile.wing_material or Surface.UNKNOWN,
        flaps_set=profile.flaps_during_treatment is not Flaps.RETRACTED,
        cold_soaked_wing=False if profile.tank is Tank.CLEAR_OF_SKIN else None,
    )


def _minutes(answer: Holdover, minutes: int | None) -> float:
    match answer.outcome:
        case Outcome.NOT_NEEDED:
            return _ENDLESS
        case Outcome.TIME:
            return _UNTOLD if minutes is None else float(minutes)
        case Outcome.OUT_OF_SEASON:
            return _OUT_OF_SEASON
        case Outcome.UNKNOWN:
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


def _counted(  # noqa: PLR0917 - what the members say, each by itself
    fluid: OfferedFluid,
    column: _Column,
    refused: str,
    asked: npt.NDArray[np.intp],
    lower: Array,
    upper: Array,
    lasts: Array,
) -> Cover:
    """Return the chances over all members, and the answer that stands for them."""

    def answer(members: npt.NDArray[np.intp], place: int = 0) -> Holdover:
        member = members[place]
        found = column.answers[asked[member]]
        assert found is not None
        return _said(found, float(lower[member]), refused)

    none, untold = float((lower == _NONE).mean()), float((lower == _UNTOLD).mean())
    late = np.flatnonzero(lower == _OUT_OF_SEASON)
    if late.size:
        return Cover(fluid, answer(late), None, None, None, None)
    if untold > _UNTOLD_SHARE:
        return Cover(fluid, answer(np.flatnonzero(lower == _UNTOLD)), None, None, None, None)
    within = lasts <= lower
    if none > _MOSTLY:
        return Cover(fluid, answer(np.flatnonzero(lower == _NONE)), None, None, none, within)
    timed = np.flatnonzero(lower >= 0)
    ordered = timed[np.argsort(lower[timed], kind="stable")]
    chances = float(within.mean()), float((lasts <= upper).mean())
    return Cover(fluid, answer(ordered, len(ordered) // 10), *chances, none, within)
