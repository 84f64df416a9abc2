"""The times of a batch in hours from the beginning: twenty minutes apart in the past, even steps from then on."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from watcher.physics.arrays import Array

# Beginnings and ends are put on full ten minutes, whatever the step.
TEN_MINUTES = timedelta(minutes=10)
PAST_STEP_H = 1 / 3
MARK = timedelta(minutes=30)
_HOUR = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Grid:
    """Times of all steps.

    Attributes
    ----------
    hours
        From the beginning, negative in the past; one-dimensional.
    first
        Index of the beginning (hour 0).
    offset
        How far the beginning lies behind a half hour of the clock.
    """

    hours: Array
    first: int
    offset: timedelta

    def is_mark(self, index: int) -> bool:
        """Return whether a step is the beginning or a half hour of the clock."""
        since = self.offset + timedelta(hours=float(self.hours[index]))
        rest = since.total_seconds() % MARK.total_seconds()
        return index == self.first or min(rest, MARK.total_seconds() - rest) < 1.0


def grid_of(ahead: timedelta, past_h: float, offset: timedelta, dt: timedelta) -> Grid:
    """Return the grid from `past_h` hours before the beginning to `ahead` after it, in steps of `dt`."""
    step_h = PAST_STEP_H * (dt / TEN_MINUTES)
    past = -step_h * np.arange(round(past_h / step_h), 0, -1)
    future = np.arange(round(ahead / dt) + 1) * (dt / _HOUR)
    return Grid(np.concatenate([past, future]).astype(np.float64), len(past), offset)


def floor_ten(when: datetime) -> datetime:
    """Return the full ten minutes at or before a time."""
    return when.replace(minute=when.minute // 10 * 10, second=0, microsecond=0)


def ceil_ten(when: datetime) -> datetime:
    """Return the full ten minutes at or after a time."""
    floor = floor_ten(when)
    return floor if floor == when else floor + TEN_MINUTES
