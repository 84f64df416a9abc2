"""The tables over the hours ahead: what each step and member asks, each question looked up once."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field, replace
from datetime import datetime

import numpy as np
import numpy.typing as npt

from watcher.treatment.application import FluidRules
from watcher.treatment.falling import Mask
from watcher.treatment.holdover import look_up
from watcher.treatment.kinds import Flaps, Tank
from watcher.treatment.profiles import AircraftProfile, OfferedFluid
from watcher.treatment.question import Holdover, HoldoverQuestion, Outcome
from watcher.treatment.tables import Tables
from watcher.treatment.usable import lowest_use_c, refusal
from watcher.treatment.weather_ahead import Ahead
from watcher.treatment.words import Surface

# Minutes that stand for an outcome without minutes: nothing to protect from, tables out of season, none can be told,
# none exists. The lower the worse.
ENDLESS, OUT_OF_SEASON, UNTOLD, NO_TIME = np.inf, -0.5, -1.0, -2.0


@dataclass(frozen=True, slots=True)
class Known:
    """What the tables and the rules for fluids have answered already, for any station and aircraft."""

    answers: dict[Hashable, Holdover] = field(default_factory=dict)
    refusals: dict[tuple[OfferedFluid, int], str | None] = field(default_factory=dict)


class Lookups:
    """Answers of the tables for one station's hours ahead, each looked up once.

    `numbers`: what each step and member asks, steps x members.

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
        self.ahead, self._tables, self._rules, self._now, self._training = ahead, tables, rules, now, training
        self._known = Known() if known is None else known
        low, high = np.floor(ahead.temp_c.min()), np.ceil(ahead.temp_c.max())
        # Where what falls contradicts the temperature lies above 0 °C, at a whole degree.
        cuts = {low, *tables.breaks_c, *np.arange(1, max(high, 1) + 1)}
        self._cuts = np.array(sorted(float(cut) for cut in cuts if low <= cut <= high))
        self._codes, self.numbers = self._numbered()
        coldest = np.floor(np.minimum(ahead.temp_c, ahead.skin_c)).astype(np.intp)
        self._coldest_c = int(coldest.min())
        self._degrees = coldest - self._coldest_c
        self._columns: dict[Hashable, Column] = {}
        self._refused: dict[OfferedFluid, tuple[Mask, str]] = {}

    def _numbered(self) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.intp]]:
        """Return what the tables can be asked, each coded once, and which of it each step and member asks."""
        ahead = self.ahead
        bucket = np.searchsorted(self._cuts, ahead.temp_c, side="right")
        night = np.full(len(bucket), 2) if ahead.night is None else ahead.night.astype(np.int64)
        codes = (ahead.falls.astype(np.int64) * 3 + night[:, None]) * 2 + ahead.frost
        codes = codes * (len(self._cuts) + 1) + bucket
        # There are few codes: counting them is faster than sorting all steps and members.
        found = np.flatnonzero(np.bincount(codes.ravel()))
        numbers = np.zeros(int(found[-1]) + 1, dtype=np.intp)
        numbers[found] = np.arange(len(found))
        return found, numbers[codes]

    def column(self, fluid: OfferedFluid, profile: AircraftProfile, steps: slice) -> Column:
        """Return what the tables say for a fluid and an aircraft, as far as it is asked at some steps."""
        column = self._column(fluid, profile)
        for number in np.flatnonzero(np.bincount(self.numbers[steps].ravel(), minlength=len(self._codes))):
            if column.answers[number] is None:
                column.put(int(number), self._answer(column, int(self._codes[number])))
        return column

    def _column(self, fluid: OfferedFluid, profile: AircraftProfile) -> Column:
        question = _question(fluid, profile)
        if question not in self._columns:
            self._columns[question] = Column(question, len(self._codes))
        return self._columns[question]

    def _answer(self, column: Column, code: int) -> Holdover:
        rest, bucket = divmod(code, len(self._cuts) + 1)
        rest, frost = divmod(rest, 2)
        falls, night = divmod(rest, 3)
        falling, temp_c = self.ahead.falling[falls], self._temp_c(bucket)
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

    def lowest_use_c(self, fluid: OfferedFluid) -> float | None:
        """Return the lowest temperature at which a fluid may be used, in °C; None where it is not known."""
        return lowest_use_c(fluid, self._rules)

    def refused(self, fluid: OfferedFluid) -> tuple[Mask, str] | None:
        """Return where air or skin is too cold for a fluid, to the whole degree below, with the first reason.

        Steps x members; None where its lowest temperature of use is not known.
        """
        if lowest_use_c(fluid, self._rules) is None:
            return None
        if fluid not in self._refused:
            reasons = [self._refusal(fluid, self._coldest_c + each) for each in range(int(self._degrees.max()) + 1)]
            cold = np.array([reason is not None for reason in reasons])[self._degrees]
            self._refused[fluid] = cold, next((reason for reason in reasons if reason is not None), "")
        return self._refused[fluid]

    def _refusal(self, fluid: OfferedFluid, degree: int) -> str | None:
        key = fluid, degree
        if key not in self._known.refusals:
            self._known.refusals[key] = refusal(fluid, self._rules, float(degree))
        return self._known.refusals[key]


class Column:
    """What the tables say for one fluid and aircraft, by the number of what is asked; filled when it is asked."""

    def __init__(self, question: HoldoverQuestion, count: int) -> None:
        self.question = question
        self.answers: list[Holdover | None] = [None] * count
        self.lower, self.upper = np.empty(count), np.empty(count)

    def put(self, number: int, answer: Holdover) -> None:
        """Keep the answer to one question."""
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
            return ENDLESS
        case Outcome.TIME:
            return UNTOLD if minutes is None else float(minutes)
        case Outcome.OUT_OF_SEASON:
            return OUT_OF_SEASON
        case Outcome.UNKNOWN:
            return UNTOLD
        case _:
            return NO_TIME
