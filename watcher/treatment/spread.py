"""Figures that vary, for every member: from three quantiles to a distribution, and the order in which members draw it.

References
----------
.. [1] Split normal distribution, here split at the median: below and above it halves of two normal distributions, each
   as wide as its quantile says, so that all three quantiles are met; nothing is shorter than 0.
.. [2] M. D. McKay, R. J. Beckman, W. J. Conover, Technometrics 21, 1979: one value from each slice of a distribution.
"""

from __future__ import annotations

import hashlib
from functools import lru_cache
from statistics import NormalDist

import numpy as np

from watcher.physics.arrays import Array
from watcher.treatment.profiles import Spread

_Z90 = NormalDist().inv_cdf(0.9)


def scores_of(key: str, rows: int, members: int) -> Array:
    """Return standard normal scores, rows x members: each row has one from each of as many slices, in its own order.

    Parameters
    ----------
    key
        What names the numbers: the same key gives the same ones.
    rows, members
        How many.
    """
    seed = int.from_bytes(hashlib.blake2b(key.encode(), digest_size=16).digest(), "little")
    stream = np.random.Generator(np.random.Philox(key=seed))
    order = stream.random((rows, members)).argsort(axis=1)
    return np.asarray(_slices(members)[order])


def values_of(spread: Spread, scores: Array) -> Array:
    """Return the value of each member at its score: p10, p50 and p90 at -1.28, 0 and 1.28."""
    below, above = (spread.p50 - spread.p10) / _Z90, (spread.p90 - spread.p50) / _Z90
    minutes = spread.p50 + scores * np.where(scores < 0, below, above)
    return np.asarray(np.maximum(minutes, 0.0))


@lru_cache(maxsize=8)
def _slices(members: int) -> Array:
    normal = NormalDist()
    return np.array([normal.inv_cdf((number + 0.5) / members) for number in range(members)])
