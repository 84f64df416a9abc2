"""What voids or shortens a time that a table gives."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from watcher.treatment.words import Basis, Confidence, FluidType

FLAPS_SET = "flaps-set"


@dataclass(frozen=True, slots=True)
class Condition:
    """One condition. `percent`: what is left of a time under effect `factor`, rounded down to whole minutes."""

    name: str
    fluids: frozenset[FluidType]
    effect: Literal["void", "shorten", "factor"]
    percent: int | None
    text: str
    basis: Basis
    confidence: Confidence | None
    source: str


def flaps_percent(conditions: Iterable[Condition], fluid: FluidType) -> int:
    """Return what is left of a time, in percent, when flaps and slats are set before or during the treatment."""
    found = [each.percent for each in conditions if each.name == FLAPS_SET and fluid in each.fluids]
    return min((percent for percent in found if percent is not None), default=100)


def cautions(conditions: Iterable[Condition], fluid: FluidType) -> tuple[str, ...]:
    """Return the sentences that go with a time of a fluid type."""
    return tuple(each.text for each in conditions if fluid in each.fluids and each.effect != "factor")
