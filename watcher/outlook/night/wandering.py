"""An error that grows with the square root of the time since the report: a random walk by the hour."""

from __future__ import annotations

import numpy as np

from watcher.physics.arrays import Array


class Wandering:
    """The error of a forecast value for every member.

    Parameters
    ----------
    rate
        Growth in units of the value by sqrt(hour), hours x stations.
    age_h
        Age of the report at the beginning, for each station.
    first
        Standard normal numbers for the time before the beginning, stations x members.
    steps
        Standard normal numbers for each hour, hours x stations x members.
    """

    def __init__(self, rate: Array, age_h: Array, first: Array, steps: Array) -> None:
        self._age_h = age_h
        self._before = rate[0].astype(np.float32)[:, None] * first
        walk = rate.astype(np.float32)[:, :, None] * steps
        walk[0] = np.sqrt(age_h).astype(np.float32)[:, None] * self._before
        self._walk = np.cumsum(walk, axis=0, out=walk)

    def at(self, hour: float) -> Array | None:
        """Return the error at an hour from the beginning; None where no report is that old."""
        if hour <= 0:
            since = np.sqrt(np.maximum(self._age_h + hour, 0)).astype(np.float32)
            return np.asarray(since[:, None] * self._before) if since.any() else None
        index = min(int(hour), len(self._walk) - 1)
        share = np.float32(hour - index)
        if share == 0:
            return np.asarray(self._walk[index])
        between = self._walk[index + 1] - self._walk[index]
        between *= share
        between += self._walk[index]
        return np.asarray(between)
