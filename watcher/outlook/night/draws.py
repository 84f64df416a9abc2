"""The random numbers of a batch: one counter-based stream for each station and issue of data, the same in any batch.

The normal numbers of the second half of the members mirror those of the first, and the even ones are drawn one from
each of as many equal slices: both leave every distribution as it is and steady the answer. Noise in time is drawn by
the hour and interpolated, so that it is the same noise for any step.

References
----------
.. [1] J. K. Salmon, M. A. Moraes, R. O. Dror, D. E. Shaw, Parallel random numbers: as easy as 1, 2, 3, SC11, 2011: the
   counter-based generator Philox.
.. [2] M. D. McKay, R. J. Beckman, W. J. Conover, Technometrics 21, 1979: one value from each slice of a distribution.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from watcher.physics.arrays import Array


class Even(IntEnum):
    """Numbers between 0 and 1 that a member keeps through the night."""

    TEMP = 0
    DEW = 1
    WIND = 2
    CLOUD = 3
    UNSEEN = 4
    UNSEEN_AMOUNT = 5
    BECOMING = 6
    CHANCE = 7
    OBSERVED = 8
    FOG = 9
    FUEL = 10
    EMISSIVITY = 11
    HANGAR = 12


class Normal(IntEnum):
    """Standard normal numbers that a member keeps through the night."""

    WIND = 0
    LONGWAVE = 1
    TRANSFER = 2
    COUPLING = 3
    FALL = 4
    TEMP = 5
    DEW = 6


class Noise(IntEnum):
    """Standard normal numbers by the hour."""

    STRUCTURE = 0
    WIND = 1
    CLOUD = 2
    TEMPORARY = 3
    TEMP = 4
    DEW = 5


# Time in which wind, cloud and the error of the model forget. [h] Memory; measured for a panel only.
MEMORY_H = 3.0
REMEMBERED = float(np.exp(-1 / MEMORY_H))


@dataclass(frozen=True, slots=True)
class Draws:
    """Numbers for all stations and members of a batch.

    Attributes
    ----------
    even, normal
        Indexed by Even and Normal: stations x members.
    noise
        Indexed by Noise, then by the hour: stations x members. STRUCTURE, WIND and CLOUD are correlated in time, the
        others are not.
    """

    even: Array
    normal: Array
    noise: Array

    def at(self, which: Noise, hour: float) -> Array:
        """Return correlated noise at a time, of unit variance; before the beginning that of the beginning."""
        index, share = _knot(hour, self.noise.shape[1])
        if share == 0.0:
            return np.asarray(self.noise[which, index])
        before, after = (1 - share), share
        scale = 1 / np.sqrt(before**2 + after**2 + 2 * before * after * REMEMBERED)
        found = self.noise[which, index] * np.float32(before * scale)
        found += self.noise[which, index + 1] * np.float32(after * scale)
        return np.asarray(found)


def _knot(hour: float, count: int) -> tuple[int, float]:
    clipped = min(max(hour, 0.0), count - 1.0)
    index = min(int(clipped), max(count - 2, 0))
    return index, clipped - index


def draws_of(keys: Sequence[str], members: int, hours: float) -> Draws:
    """Return the numbers of a batch.

    Parameters
    ----------
    keys
        What names each station's stream: its code and the issue of its data.
    members
        Size of the ensemble.
    hours
        How far ahead.
    """
    half, knots = (members + 1) // 2, int(np.ceil(hours)) + 1
    even = np.empty((len(Even), len(keys), members), dtype=np.float32)
    normal = np.empty((len(Normal), len(keys), members), dtype=np.float32)
    noise = np.empty((len(Noise), knots, len(keys), members), dtype=np.float32)
    for row, key in enumerate(keys):
        stream = np.random.Generator(np.random.Philox(key=int.from_bytes(_digest(key), "little")))
        order = stream.random((len(Even), members), dtype=np.float32).argsort(axis=1)
        even[:, row] = (order + stream.random((len(Even), members), dtype=np.float32)) / members
        _mirror(normal[:, row], stream.standard_normal((len(Normal), half), dtype=np.float32))
        by_hour = stream.standard_normal((knots, len(Noise), half), dtype=np.float32)
        _mirror(noise[:, :, row], by_hour.transpose(1, 0, 2))
    _correlate(noise[: Noise.CLOUD + 1])
    return Draws(even, normal, noise)


def _digest(key: str) -> bytes:
    return hashlib.blake2b(key.encode(), digest_size=16).digest()


def _mirror(target: Array, drawn: Array) -> None:
    half = drawn.shape[-1]
    target[..., :half] = drawn
    np.negative(drawn[..., : target.shape[-1] - half], out=target[..., half:])


def _correlate(noise: Array) -> None:
    fresh = np.float32(np.sqrt(1 - REMEMBERED**2))
    for hour in range(1, noise.shape[1]):
        noise[:, hour] *= fresh
        noise[:, hour] += np.float32(REMEMBERED) * noise[:, hour - 1]
