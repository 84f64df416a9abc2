"""How far a score could have come out otherwise: whole stations, or whole months, drawn again with replacement.

Weather at one station goes on from hour to hour, so hours are no independent cases; stations nearly are. Percentile
intervals after B. Efron, R. Tibshirani, An Introduction to the Bootstrap, 1993, chapter 13.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

SEED = 20260112
RESAMPLES = 1000
COVERAGE = 0.95
# Common practice, no source: fewer blocks than this say little about all the others that might have been drawn.
LEAST_BLOCKS = 10
# A score that so many of the draws leave undefined has no interval.
_MOST_UNDEFINED = 0.05
# Between minus and plus so many standard deviations lie 95 of 100 of a normal distribution.
_Z_95 = 1.959963984540054

BlockKind = Literal["stations", "months"]


@dataclass(frozen=True, slots=True)
class Interval:
    """From a low to a high value that hold the score in so many of a hundred draws."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Draws:
    """How often each block is drawn in each resample: shape (resamples, blocks). None of them: no interval."""

    kind: BlockKind | None
    blocks: int
    weights: NDArray[np.float64] | None

    @property
    def words(self) -> str:
        """How the intervals were made, in one sentence."""
        if self.weights is None or self.kind is None:
            return (
                f"No intervals: {LEAST_BLOCKS} stations or {LEAST_BLOCKS} months are the least that can be drawn from, "
                f"the archive has {self.blocks}."
            )
        whole = f"{self.blocks} {self.kind} drawn {len(self.weights)} times with replacement"
        why = "" if self.kind == "stations" else ", as there are too few stations to draw from"
        return f"Intervals hold 95 of 100 draws: {whole}{why}."


def draws(stations: int, months: int, *, resamples: int = RESAMPLES, seed: int = SEED) -> Draws:
    """Return what is drawn from: stations where there are enough, else months, else nothing.

    Parameters
    ----------
    stations, months
        How many there are.
    resamples
        How often as many as there are are drawn again.
    seed
        The same seed draws the same.
    """
    kind: BlockKind | None = "stations" if stations >= LEAST_BLOCKS else "months" if months >= LEAST_BLOCKS else None
    if kind is None:
        return Draws(None, max(stations, months), None)
    blocks = stations if kind == "stations" else months
    return Draws(kind, blocks, weights(blocks, resamples=resamples, seed=seed))


def weights(blocks: int, *, resamples: int, seed: int) -> NDArray[np.float64]:
    """Return how often each of some blocks is drawn in each resample, whole numbers, shape (resamples, blocks)."""
    rng = np.random.default_rng(seed)
    found = np.empty((resamples, blocks))
    for row in range(resamples):
        found[row] = np.bincount(rng.integers(0, blocks, blocks), minlength=blocks)
    return found


def resampled(sums: NDArray[np.int64] | NDArray[np.float64], drawn: Draws) -> NDArray[np.float64] | None:
    """Return the sums of each resample, None where nothing can be drawn.

    Parameters
    ----------
    sums
        Of each block, shape (blocks, terms).
    drawn
        What is drawn; blocks in the order of `sums`.

    Returns
    -------
    ndarray or None
        Shape (resamples, terms).

    Raises
    ------
    ValueError
        The sums are of other blocks than those that are drawn.
    """
    if drawn.weights is None:
        return None
    if len(sums) != drawn.weights.shape[1]:
        raise ValueError(f"{len(sums)} blocks are given, {drawn.weights.shape[1]} are drawn from")
    return drawn.weights @ np.asarray(sums, dtype=np.float64)


def wilson(counted: int, of: int) -> Interval:
    """Return the interval of a share of independent cases at 95 %, for where none or all are counted.

    Whatever is drawn again there comes out the same, which is no proof of certainty (E. B. Wilson, Probable inference,
    the law of succession, and statistical inference, Journal of the American Statistical Association 22, 1927).
    """
    p, z2 = counted / of, _Z_95**2
    middle = (p + z2 / (2 * of)) / (1 + z2 / of)
    half = _Z_95 / (1 + z2 / of) * math.sqrt(p * (1 - p) / of + z2 / (4 * of * of))
    return Interval(max(0.0, middle - half), min(1.0, middle + half))


def interval(values: NDArray[np.float64] | None, *, coverage: float = COVERAGE) -> Interval | None:
    """Return the percentile interval of a score.

    Parameters
    ----------
    values
        The score of each resample, shape (resamples,), NaN where it is not defined; None: nothing could be drawn.
    coverage
        Share of the draws that lie within.

    Returns
    -------
    Interval or None
        None where there is nothing, or the score is not defined in more than one of twenty draws.
    """
    if values is None:
        return None
    defined = values[np.isfinite(values)]
    if len(defined) < (1 - _MOST_UNDEFINED) * len(values):
        return None
    low, high = np.percentile(defined, [50 * (1 - coverage), 50 * (1 + coverage)])
    return Interval(float(low), float(high))
