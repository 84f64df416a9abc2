"""Whether probabilities that were stated came true as often as they said: Brier score, its parts, and the diagram.

Only what a TAF states is a probability here (PROB30, PROB40). What it gives without one (prevailing, becoming,
temporary) stands beside them as a class of its own: how often it came is told, what was promised is not known. The
probability of frost is left out: no report tells whether a wing was frosted.

References
----------
.. [1] G. W. Brier, Verification of forecasts expressed in terms of probability, Monthly Weather Review 78, 1950.
.. [2] A. H. Murphy, A new vector partition of the probability score, Journal of Applied Meteorology 12, 1973.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import polars as pl
from numpy.typing import NDArray

from watcher.replay.scores.bootstrap import Draws, Interval, interval, resampled
from watcher.replay.scores.estimate import Estimate, share
from watcher.replay.scores.expected import Came
from watcher.rulebook.words import Certainty

STATED: Mapping[Certainty, float] = MappingProxyType(
    {
        Certainty.PROBABILITY_30: 0.3,
        Certainty.PROBABILITY_30_TEMPORARY: 0.3,
        Certainty.PROBABILITY_40: 0.4,
        Certainty.PROBABILITY_40_TEMPORARY: 0.4,
    }
)


@dataclass(frozen=True, slots=True)
class CertaintyClass:
    """Expected alerts that were told alike. `stated`: the probability, None where none was stated."""

    certainty: str
    stated: float | None
    came: Estimate


@dataclass(frozen=True, slots=True)
class Brier:
    """The Brier score of stated probabilities and its parts: score = reliability - resolution + uncertainty.

    `alerts`: how many it rests on. `base_rate`: how often it came, all of them together.
    """

    alerts: int
    score: float
    reliability: float
    resolution: float
    uncertainty: float
    base_rate: float
    interval: Interval | None


def certainty_classes(fates: pl.DataFrame, blocks: pl.Series, drawn: Draws) -> tuple[CertaintyClass, ...]:
    """Return how often what was told alike came, from the surest to the least sure.

    Parameters
    ----------
    fates
        With the columns of `FATES` and ``block``; only what came and what was told in vain counts, of flags of which
        both can be known: none of a precursor.
    blocks
        All that is drawn from, in order.
    drawn
        The draws.
    """
    found = []
    for certainty in Certainty:
        own = fates.filter(pl.col("certainty") == certainty.value)
        if len(own):
            found.append(CertaintyClass(certainty.value, STATED.get(certainty), share(_sums(own, blocks), drawn)))
    return tuple(found)


def brier(fates: pl.DataFrame, blocks: pl.Series, drawn: Draws) -> Brier | None:
    """Return the Brier score of the alerts with a stated probability; None where there is none.

    Parameters
    ----------
    fates, blocks, drawn
        As for :func:`certainty_classes`.
    """
    by_p: dict[float, NDArray[np.int64]] = {}
    for certainty, stated in STATED.items():
        sums = _sums(fates.filter(pl.col("certainty") == certainty.value), blocks)
        by_p[stated] = by_p[stated] + sums if stated in by_p else sums
    p = np.array(list(by_p))
    came = np.stack([sums[:, 0] for sums in by_p.values()])
    told = np.stack([sums.sum(axis=1) for sums in by_p.values()])
    totals_came, totals_told = came.sum(axis=1), told.sum(axis=1)
    alerts = int(totals_told.sum())
    if alerts == 0:
        return None
    base_rate = float(totals_came.sum() / alerts)
    rates = np.divide(totals_came, totals_told, out=np.zeros(len(p)), where=totals_told > 0)
    draws_of = resampled(np.concatenate([came, told]).T, drawn)
    values = None if draws_of is None else _scores(p, draws_of[:, : len(p)], draws_of[:, len(p) :])
    return Brier(
        alerts=alerts,
        score=float(_scores(p, totals_came[np.newaxis], totals_told[np.newaxis])[0]),
        reliability=float((totals_told * (p - rates) ** 2).sum() / alerts),
        resolution=float((totals_told * (rates - base_rate) ** 2).sum() / alerts),
        uncertainty=base_rate * (1 - base_rate),
        base_rate=base_rate,
        interval=interval(values),
    )


def _scores(
    p: NDArray[np.float64], came: NDArray[np.float64] | NDArray[np.int64], told: NDArray[np.float64] | NDArray[np.int64]
) -> NDArray[np.float64]:
    """Return the mean square of probability less outcome, of each row of counts by probability."""
    squares = came * (p - 1) ** 2 + (told - came) * p**2
    total = told.sum(axis=1)
    found: NDArray[np.float64] = np.full(len(total), np.nan)
    np.divide(squares.sum(axis=1), total, out=found, where=total > 0)
    return found


def _sums(fates: pl.DataFrame, blocks: pl.Series) -> NDArray[np.int64]:
    """Return for each block how often it came and how often not, shape (blocks, 2)."""
    counted = fates.group_by("block").agg(
        (pl.col("came") == Came.CAME.value).sum().cast(pl.Int64).alias("yes"),
        (pl.col("came") == Came.IN_VAIN.value).sum().cast(pl.Int64).alias("no"),
    )
    every = pl.DataFrame({"block": blocks}).join(counted, on="block", how="left", maintain_order="left")
    return every.select(pl.col("yes", "no").fill_null(0)).to_numpy()
