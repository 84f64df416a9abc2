"""What a look-up is asked and what it answers."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from watcher.reports.model import VisibilityBound
from watcher.rulebook.words import NoTime
from watcher.treatment.words import Basis, Confidence, FluidType, Surface


@dataclass(frozen=True, slots=True)
class HoldoverQuestion:
    """One look-up. Unknown is None, and is never taken for the better case.

    Parameters
    ----------
    fluid
        Type of the fluid of the final application.
    mix
        Parts of fluid and water, such as 75/25. Not asked of Type I, whose mix must only keep its buffer.
    temp_low_c, temp_high_c
        What rounding leaves of the outside air temperature, in °C.
    weather
        Present weather groups; ``//`` and ``FZ//`` say that something may fall unseen.
    visibility_m
        Prevailing visibility in metres. Not the runway visual range.
    visibility_bound
        ``below``: it is less, by how much is not known.
    night
        None: the worse of both.
    surface
        What the treated surfaces are made of; unknown: the worse of both.
    flaps_set
        Flaps or slats are set for take-off before or during the treatment.
    authority
        Whose tables; None: the strictest of all.
    active_frost
        The surface is at or below 0 °C and at or below the frost point. Never assumed.
    cold_soaked_wing
        False only where it is known that the wing is not.
    automatic
        No observer has identified the precipitation.
    lout_c
        Lowest temperature at which the fluid may be used, in °C; None: not checked.
    """

    fluid: FluidType
    mix: str | None
    temp_low_c: float | None
    temp_high_c: float | None
    weather: tuple[str, ...] | None
    visibility_m: float | None = None
    visibility_bound: VisibilityBound | None = None
    night: bool | None = None
    surface: Surface = Surface.UNKNOWN
    flaps_set: bool = False
    authority: str | None = None
    active_frost: bool = False
    cold_soaked_wing: bool | None = None
    automatic: bool = False
    lout_c: float | None = None


class Outcome(StrEnum):
    """How a look-up ends, the worst last. Only `time` carries a holdover time, only `allowance` an allowance time."""

    NOT_NEEDED = "not-needed"
    TIME = "time"
    ALLOWANCE = "allowance"
    SPECIAL = "special"
    OUT_OF_SEASON = "out-of-season"
    UNKNOWN = "unknown"
    NONE = "none"


_NO_TIME = {Outcome.NONE: NoTime.NONE, Outcome.ALLOWANCE: NoTime.ALLOWANCE, Outcome.SPECIAL: NoTime.SPECIAL}


@dataclass(frozen=True, slots=True)
class Holdover:
    """The answer to one look-up.

    `lower_min`, `upper_min`: minutes at the heavier and the lighter end of the weather, only with outcome `time`.
    `allowance_min`: only with outcome `allowance`, where a table has one. `column`: of the table that decides.
    `table`, `season`, `authority`: of the figures, joined where the lower and the upper time stand in different tables;
    None where no table was needed. `basis`, `confidence`: of the least sure figure that decides, the snow chart's
    among them. `asked`: every table that was looked into. `current`: whether all of those are in force; None where
    there were none. `training`: the figures are old ones, for training only. `why`: how the answer came about.
    `caution`: what goes with it.
    """

    outcome: Outcome
    column: str | None
    lower_min: int | None
    upper_min: int | None
    allowance_min: int | None
    table: str | None
    season: str | None
    authority: str | None
    asked: tuple[str, ...]
    current: bool | None
    basis: Basis | None
    confidence: Confidence | None
    training: bool
    why: str
    caution: str

    @property
    def no_time(self) -> NoTime | None:
        """Why there is no holdover time; None where there is one, none is needed, or it cannot be told."""
        return _NO_TIME.get(self.outcome)


def as_contract(answer: Holdover, caution: str) -> dict[str, object]:
    """Return the `holdover` contract: minutes as whole numbers, null where there are none.

    Parameters
    ----------
    answer
        The answer.
    caution
        The sentence that every output carries.
    """
    return {
        "outcome": answer.outcome.value,
        "column": answer.column,
        "lower_min": answer.lower_min,
        "upper_min": answer.upper_min,
        "no_time": answer.no_time.value if answer.no_time is not None else None,
        "allowance_min": answer.allowance_min,
        "table": answer.table,
        "season": answer.season,
        "authority": answer.authority,
        "asked": list(answer.asked),
        "current": answer.current,
        "training": answer.training,
        "basis": answer.basis.value if answer.basis is not None else None,
        "confidence": answer.confidence.value if answer.confidence is not None else None,
        "why": answer.why,
        "caution": f"{answer.caution} {caution}".strip(),
    }
