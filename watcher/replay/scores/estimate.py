"""A ratio with what it rests on: value, interval, numerator, denominator; no value where too little is beneath it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from watcher.replay.scores.bootstrap import Draws, Interval, interval, resampled, wilson
from watcher.replay.scores.ratios import SCORES, FourCounts, ratio, standing_on

# Common practice, no source: a share of fewer cases says more about chance than about rules; its counts are told alone.
LEAST_CASES = 10
_SHARES = frozenset({"pod", "far", "pofd", "csi"})


@dataclass(frozen=True, slots=True)
class Estimate:
    """A score. `value`: None where it rests on fewer than `LEAST_CASES` cases or is not defined (0 / 0).

    `counted`, `of`: above and beneath the line, where it is a share; `counted` is None where it is none. `interval`:
    None where none can be given.
    """

    value: float | None
    counted: int | None
    of: int
    interval: Interval | None

    @property
    def is_firm(self) -> bool:
        """Whether there is a value."""
        return self.value is not None


def share(sums: NDArray[np.int64], drawn: Draws) -> Estimate:
    """Return the share of the first of two counts. `sums`: of each block, shape (blocks, 2)."""
    yes, no = (int(total) for total in sums.sum(axis=0))
    if yes + no < LEAST_CASES:
        return Estimate(None, yes, yes + no, None)
    values = resampled(sums, drawn)
    value = yes / (yes + no)
    return Estimate(value, yes, yes + no, _interval(value, yes, yes + no, None if values is None else _shares(values)))


def estimates(sums: NDArray[np.int64], drawn: Draws) -> dict[str, Estimate]:
    """Return all scores of `SCORES` by name. `sums`: hits, in vain, misses, quiet of each block, shape (blocks, 4)."""
    counts = FourCounts(*(int(total) for total in sums.sum(axis=0)))
    values = resampled(sums, drawn)
    return {name: _estimate(name, counts, values) for name in SCORES}


def _estimate(name: str, counts: FourCounts, values: NDArray[np.float64] | None) -> Estimate:
    of, counted = standing_on(name, counts), _counted(name, counts)
    value = float(ratio(name, counts.as_array()))
    if of < LEAST_CASES or not np.isfinite(value):
        return Estimate(None, counted, of, None)
    draws_of = None if values is None else ratio(name, values)
    is_share = name in _SHARES and counted is not None
    return Estimate(value, counted, of, _interval(value, counted if is_share else None, of, draws_of))


def _interval(value: float, counted: int | None, of: int, values: NDArray[np.float64] | None) -> Interval | None:
    """Return the interval of the draws; of a share of none or all, that of independent cases."""
    if values is not None and counted is not None and value in {0.0, 1.0}:
        return wilson(counted, of)
    return interval(values)


def _counted(name: str, counts: FourCounts) -> int | None:
    return {
        "pod": counts.hits,
        "far": counts.in_vain,
        "pofd": counts.in_vain,
        "bias": counts.warned,
        "csi": counts.hits,
    }.get(name)


def _shares(values: NDArray[np.float64]) -> NDArray[np.float64]:
    total = values.sum(axis=1)
    found: NDArray[np.float64] = np.full(len(total), np.nan)
    np.divide(values[:, 0], total, out=found, where=total > 0)
    return found
