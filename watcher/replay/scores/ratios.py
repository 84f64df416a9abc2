"""The scores of a table of four counts: warned or not, came or not. Each with its numerator and denominator.

Names and formulas after I. T. Jolliffe, D. B. Stephenson (eds.), Forecast Verification, 2nd edition 2012, chapter 3,
and the pages of the joint working group on forecast verification research (WMO WWRP/WGNE).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Counts = NDArray[np.int64]
Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class FourCounts:
    """How often it was warned and came (`hits`), warned in vain, not warned and came (`misses`), neither (`quiet`)."""

    hits: int
    in_vain: int
    misses: int
    quiet: int

    @property
    def total(self) -> int:
        """All of them."""
        return self.hits + self.in_vain + self.misses + self.quiet

    @property
    def came(self) -> int:
        """How often the weather came."""
        return self.hits + self.misses

    @property
    def warned(self) -> int:
        """How often an alert was open."""
        return self.hits + self.in_vain

    def as_array(self) -> Counts:
        """Return the four in the order of their names, shape (4,)."""
        return np.array([self.hits, self.in_vain, self.misses, self.quiet], dtype=np.int64)


class ScoreSpec(NamedTuple):
    """One score.

    `of`: what is counted beneath the line, in words, of which `counted` are above it; "" where it is no simple share.
    `best`: of a perfect warner.
    """

    name: str
    words: str
    counted: str
    of: str
    best: float
    value: Callable[[Values, Values, Values, Values], tuple[Values, Values]]


def _pod(a: Values, _b: Values, c: Values, _d: Values) -> tuple[Values, Values]:
    return a, a + c


def _far(a: Values, b: Values, _c: Values, _d: Values) -> tuple[Values, Values]:
    return b, a + b


def _pofd(_a: Values, b: Values, _c: Values, d: Values) -> tuple[Values, Values]:
    return b, b + d


def _bias(a: Values, b: Values, c: Values, _d: Values) -> tuple[Values, Values]:
    return a + b, a + c


def _csi(a: Values, b: Values, c: Values, _d: Values) -> tuple[Values, Values]:
    return a, a + b + c


def _ets(a: Values, b: Values, c: Values, d: Values) -> tuple[Values, Values]:
    n = a + b + c + d
    # 0 warned or came by chance where nothing was counted: the score is then 0 / 0 as it should be.
    chance = (a + b) * (a + c) / np.where(n == 0, 1, n)
    return a - chance, a + b + c - chance


def _hss(a: Values, b: Values, c: Values, d: Values) -> tuple[Values, Values]:
    return 2 * (a * d - b * c), (a + c) * (c + d) + (a + b) * (b + d)


# fmt: off
SCORES: Mapping[str, ScoreSpec] = MappingProxyType({spec.name: spec for spec in (
    ScoreSpec("pod", "probability of detection", "warned", "times it came", 1, _pod),
    ScoreSpec("far", "false alarm ratio", "in vain", "times warned", 0, _far),
    ScoreSpec("pofd", "probability of false detection", "warned", "times it did not come", 0, _pofd),
    ScoreSpec("bias", "frequency bias", "times warned", "times it came", 1, _bias),
    ScoreSpec("csi", "critical success index", "warned and came", "times warned or came", 1, _csi),
    ScoreSpec("ets", "equitable threat score", "", "times warned or came, less chance", 1, _ets),
    ScoreSpec("hss", "Heidke skill score", "", "all times, less chance", 1, _hss),
)})
# fmt: on


def ratio(name: str, counts: NDArray[np.int64] | NDArray[np.float64]) -> Values:
    """Return a score of many tables at once.

    Parameters
    ----------
    name
        One of `SCORES`.
    counts
        Shape (..., 4): hits, in vain, misses, quiet.

    Returns
    -------
    ndarray
        Shape (...); NaN where it is not defined (0 / 0).

    Raises
    ------
    KeyError
        There is no score of that name.
    """
    a, b, c, d = np.moveaxis(np.asarray(counts, dtype=np.float64), -1, 0)
    above, below = SCORES[name].value(a, b, c, d)
    found: Values = np.full(np.shape(below), np.nan)
    np.divide(above, below, out=found, where=below != 0)
    return found


def standing_on(name: str, counts: FourCounts) -> int:
    """Return how many cases a score rests on: those beneath its line; of skill scores, what was warned or came."""
    beneath = {
        "pod": counts.came,
        "bias": counts.came,
        "far": counts.warned,
        "pofd": counts.in_vain + counts.quiet,
    }
    return beneath.get(name, counts.hits + counts.in_vain + counts.misses)
