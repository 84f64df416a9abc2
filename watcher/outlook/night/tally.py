"""Counting members: chances by step, times of onset and end, and what is kept of a part's night."""

from __future__ import annotations

import math
from array import array
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt

from watcher.outlook.night.model import PartNight, Steps, Times
from watcher.outlook.night.wing import Seen
from watcher.physics.arrays import Array

_TENTHS = (0.1, 0.5, 0.9)
# Fewer members than this share say nothing about the time.
_ENOUGH = 0.05
_LIKELY = 0.5


def quantiles_of(values: Array) -> Array:
    """Return the 10, 50 and 90 % quantiles over the last axis, interpolated, as a new last axis."""
    ordered = np.sort(values, axis=-1)
    places = np.array(_TENTHS) * (ordered.shape[-1] - 1)
    below = places.astype(np.intp)
    above = np.minimum(below + 1, ordered.shape[-1] - 1)
    share = (places - below).astype(np.float32)
    return np.asarray(ordered[..., below] * (1 - share) + ordered[..., above] * share)


class Marks:
    """Which steps of the grid are kept, for each station, and when they are.

    Parameters
    ----------
    last
        Index of each station's last step.
    kept
        Indices of the steps kept of all stations.
    dt
        Between two steps.
    """

    def __init__(self, last: npt.NDArray[np.intp], kept: frozenset[int], dt: timedelta) -> None:
        self.last = last
        self._kept, self._dt = kept, dt
        self._times: dict[tuple[datetime, int], tuple[list[int], tuple[datetime, ...]]] = {}

    def at(self, index: int) -> npt.NDArray[np.intp] | slice:
        """Return the stations for which a step is kept: all, those that end there, or none."""
        return slice(None) if index in self._kept else np.flatnonzero(self.last == index)

    def of(self, row: int, begins_at: datetime) -> tuple[list[int], tuple[datetime, ...]]:
        """Return a station's steps and their times, which stations that are asked for the same times share."""
        last = int(self.last[row])
        found = self._times.get((begins_at, last))
        if found is None:
            indices = sorted({index for index in self._kept if index < last} | {last})
            found = (indices, tuple(begins_at + self._dt * index for index in indices))
            self._times[begins_at, last] = found
        return found


class Tally:
    """Counts one part while its night goes on.

    Parameters
    ----------
    hours
        Of the steps counted, from the beginning.
    last
        Index of each station's last step.
    members
        Size of the ensemble.
    """

    def __init__(self, hours: Array, last: npt.NDArray[np.intp], members: int) -> None:
        stations, steps = len(last), len(hours)
        self._hours, self._last = hours, last
        self.chances = np.zeros((steps, stations, 4), dtype=np.float32)
        # Steps from the end to the first frost, and from the beginning to the last frost and deposit; 0 is never.
        self._first = np.zeros((stations, members), dtype=np.int16)
        self._latest = np.zeros_like(self._first)
        self._deposit = np.zeros_like(self._first)

    def add(self, index: int, seen: Seen) -> None:
        """Count one step."""
        for number, mask in enumerate((seen.active, seen.deposit, seen.residual, seen.covered)):
            self.chances[index, :, number] = np.add.reduce(mask.view(np.uint8), axis=1, dtype=np.uint16)
        active, deposit = seen.active, seen.deposit
        if (index > self._last).any():
            counted = (index <= self._last)[:, None]
            active, deposit = active & counted, deposit & counted
        np.maximum(self._first, active * np.int16(len(self._hours) - index), out=self._first)
        np.maximum(self._latest, active * np.int16(index + 1), out=self._latest)
        np.maximum(self._deposit, deposit * np.int16(index + 1), out=self._deposit)

    def result(self) -> Outcome:
        """Return chances and times of all stations."""
        members = self._first.shape[1]
        chances = self.chances / np.float32(members)
        step_h = float(self._hours[1] - self._hours[0]) if len(self._hours) > 1 else 0.0
        onset = np.where(self._first > 0, self._hours[-self._first], np.nan)
        counted = np.arange(len(self._hours))[:, None] <= self._last
        likely = (chances[:, :, 0] >= _LIKELY) & counted
        return Outcome(
            chances=chances,
            p_any=(self._first > 0).mean(axis=1).round(6).tolist(),
            final=chances[self._last, np.arange(len(self._last))].astype(np.float64).round(6).tolist(),
            onset_h=_times(onset).tolist(),
            end_h=_times(self._ends(self._latest, step_h)).tolist(),
            deposit_end_h=_times(self._ends(self._deposit, step_h)).tolist(),
            likely_from_h=_hour_or_nan(likely, self._hours),
            likely_until_h=_hour_or_nan(likely[::-1], self._hours[::-1]),
        )

    def _ends(self, latest: npt.NDArray[np.int16], step_h: float) -> Array:
        """Return the hour after the latest step, infinite where it is still so at the last one, NaN where never."""
        ended = np.where(latest > self._last[:, None], np.inf, self._hours[latest - 1] + step_h)
        return np.where(latest > 0, ended, np.nan)


def _hour_or_nan(likely: npt.NDArray[np.bool_], hours: Array) -> list[float]:
    """Return the hour of the first step that is likely, NaN where none is."""
    found: list[float] = np.where(likely.any(axis=0), hours[likely.argmax(axis=0)], np.nan).tolist()
    return found


def _times(hours: Array) -> Array:
    """Return the 10, 50 and 90 % points of those that are not NaN, which must be enough, else NaN."""
    ordered = np.sort(hours, axis=1)
    found = np.count_nonzero(~np.isnan(ordered), axis=1)
    places = np.rint(np.array(_TENTHS) * np.maximum(found - 1, 0)[:, None]).astype(np.intp)
    values = np.take_along_axis(ordered, places, axis=1)
    values[found < max(1, _ENOUGH * hours.shape[1])] = np.nan
    return values


@dataclass(frozen=True, slots=True)
class Outcome:
    """A part's night at all stations of a batch, in hours from the beginning; NaN is never, infinite not in time."""

    chances: Array
    p_any: list[float]
    final: list[list[float]]
    onset_h: list[list[float]]
    end_h: list[list[float]]
    deposit_end_h: list[list[float]]
    likely_from_h: list[float]
    likely_until_h: list[float]

    def part_night(self, name: str, row: int, begins_at: datetime, steps: Steps) -> PartNight:
        """Return the values of one station."""
        _, deposit, residual, precipitation = self.final[row]
        return PartNight(
            part=name,
            p_any=self.p_any[row],
            p_deposit=deposit,
            p_frozen_residual=residual,
            p_precipitation=precipitation,
            onset=_clock(self.onset_h[row], begins_at),
            end=_clock(self.end_h[row], begins_at),
            deposit_end=_clock(self.deposit_end_h[row], begins_at),
            likely_from=_time(self.likely_from_h[row], begins_at),
            likely_until=_time(self.likely_until_h[row], begins_at),
            steps=steps,
        )


def _clock(hours: Sequence[float], begins_at: datetime) -> Times | None:
    return None if math.isnan(hours[0]) else Times(*(_time(hour, begins_at) for hour in hours))


def _time(hour: float, begins_at: datetime) -> datetime | None:
    return begins_at + timedelta(seconds=round(3600 * hour)) if math.isfinite(hour) else None


def packed(values: Array) -> array[float]:
    """Return numbers as a compact array without numpy."""
    found = array("f")
    found.frombytes(np.ascontiguousarray(values, dtype=np.float32).tobytes())
    return found
