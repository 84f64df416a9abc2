"""The way of the temperature: to the TAF's lowest and highest, or by the heat that a night loses.

References
----------
.. [1] Evening to minimum, T(x) = T0 + (TN - T0) x^0.85 with x the share of the time between: 0.85 chosen on the odd
   months of a winter of hourly reports and as good on the even ones, error 0.53 K x sqrt(hours). Without TN: fall =
   a R_n h^0.66, R_n the net longwave loss of a clear or cloudy sky and a lognormal about 0.008, error 0.9 K x
   sqrt(hours). Measured on open data, no published source; tests/checks/night_temperature.py repeats it.
.. [2] W. J. Parton, J. A. Logan, A model for diurnal variation in soil and air temperature, Agricultural Meteorology
   23, 1981: a sine by day, a decay by night.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from watcher.physics.arrays import Array
from watcher.physics.longwave import STEFAN_BOLTZMANN_W_M2K4, clear_sky_emissivity
from watcher.physics.shortwave import clear_sky_global_w_m2

Mask = npt.NDArray[np.bool_]

FALLING_EXPONENT = 0.85
WITH_MINIMUM_K, WITHOUT_MINIMUM_K = 0.53, 0.9
FALL_MEDIAN, FALL_SPREAD, FALL_EXPONENT = 0.008, 0.4, 0.66
# Warming of the air by day for each W/m2 of sun on the ground. [K/h per W/m2] From hourly reports of one winter at one
# station; there it is 1 to 2 K too cold by the middle of the morning, on the side of frost that lasts.
WARMING_K_H = 0.005
# The fall to the minimum begins this long before sunset when the report is older. [h] Common practice, no source.
_BEFORE_SUNSET_H = 2.0
SUNSET_DEG = -0.833
_LONGEST_NIGHT_H = 16.0


@dataclass(frozen=True, slots=True)
class Anchor:
    """A temperature that is given for an hour from the beginning; `lowest`: a TN."""

    hour: float
    temp_c: float
    lowest: bool = False


@dataclass(frozen=True, slots=True)
class Path:
    """The nominal way of one station's temperature over the hours of a grid.

    Attributes
    ----------
    base_c
        Temperature as far as it is given; constant after the last given one.
    kept
        Share of the first report's rounding error that is still in it: 1 to 0.
    free
        Where nothing is given and the temperature goes by the loss of heat.
    """

    base_c: Array
    kept: Array
    free: Mask


def path_of(hours: Array, start: Anchor, past: Sequence[Anchor], given: Sequence[Anchor], dark: Mask | None) -> Path:
    """Return the way through past reports, the latest one and what the TAF gives.

    Parameters
    ----------
    hours
        Of the grid, from the beginning.
    start
        The latest report.
    past
        The reports before it, oldest first.
    given
        TX and TN of the TAF after it, by time.
    dark
        Whether the sun is down, at each hour of the grid; None: not known.
    """
    before = [*past, start]
    base = np.interp(hours, [anchor.hour for anchor in before], [anchor.temp_c for anchor in before])
    kept = np.ones_like(base)
    last = start
    for anchor in _usable(hours, start, given, dark):
        inside = hours > last.hour
        base[inside], kept[inside] = anchor.temp_c, 0.0
        between = inside & (hours < anchor.hour)
        begin = _fall_begins(hours, last, anchor, dark) if anchor.temp_c < last.temp_c else last.hour
        share = np.clip((hours[between] - begin) / max(anchor.hour - begin, 1e-6), 0, 1)
        base[between] = last.temp_c + (anchor.temp_c - last.temp_c) * _shape(share, last, anchor)
        kept[between] = 1 - share if last is start else 0.0
        last = anchor
    return Path(base, kept, hours > last.hour)


def _shape(share: Array, last: Anchor, anchor: Anchor) -> Array:
    if anchor.temp_c < last.temp_c:
        return np.asarray(share**FALLING_EXPONENT)
    return np.sin(share * (np.pi / 2)) if last.lowest else share


def _usable(hours: Array, start: Anchor, given: Sequence[Anchor], dark: Mask | None) -> list[Anchor]:
    """Return what is given after the start; a highest temperature beyond a night without a lowest one is of no use."""
    after = [anchor for anchor in given if anchor.hour > start.hour]
    if not after or after[0].lowest:
        return after
    night = dark is None or bool(dark[(hours > start.hour) & (hours < after[0].hour)].any())
    return [] if night else after


def _fall_begins(hours: Array, last: Anchor, lowest: Anchor, dark: Mask | None) -> float:
    if dark is None:
        return last.hour
    light = hours[(hours > last.hour) & (hours < lowest.hour) & ~dark]
    # Light at the end of the stretch belongs to the morning in which the lowest temperature is given.
    evening = light[light < lowest.hour - 4]
    return max(last.hour, float(evening[-1]) - _BEFORE_SUNSET_H) if evening.size else last.hour


@dataclass(frozen=True, slots=True)
class HeatBalance:
    """How much the temperature goes down or up in each step where nothing is given: steps x stations.

    Attributes
    ----------
    fall
        Increments of h^0.66 since sunset; times a and the net loss it is the fall of the step in K.
    rise
        Kelvin of warming in the step under a clear sky.
    """

    fall: Array
    rise: Array


def heat_balance(hours: Array, elevation_deg: Array, dark_before_h: Array) -> HeatBalance:
    """Return fall and rise of each step.

    Parameters
    ----------
    hours
        Of the grid.
    elevation_deg
        Of the sun, steps x stations; NaN where the place is not known, which counts as night.
    dark_before_h
        Hours of darkness before the grid begins, for each station; infinite in the polar night, in which the
        temperature does not fall any further by the time of day.
    """
    dark = ~(elevation_deg >= SUNSET_DEG)
    step_h = np.diff(hours, prepend=hours[0])
    since = np.empty_like(elevation_deg)
    running = dark_before_h.astype(np.float64)
    for index, length in enumerate(step_h):
        running = np.where(dark[index], running + length, 0.0)
        since[index] = running
    # In the polar night the sum is infinite from the start and its powers differ by nothing.
    powers = np.minimum(since, _LONGEST_NIGHT_H) ** FALL_EXPONENT
    fall = np.diff(powers, axis=0, prepend=powers[:1])
    rising = np.diff(elevation_deg, axis=0, prepend=elevation_deg[:1]) > 0
    rise = np.where(rising & ~dark, clear_sky_global_w_m2(elevation_deg), 0) * (WARMING_K_H * step_h[:, None])
    return HeatBalance(np.where(dark, np.maximum(fall, 0), 0), np.nan_to_num(rise))


def night_loss_w_m2(temp_c: Array, vapour_hpa: Array) -> Array:
    """Return the net longwave loss under a clear sky, (1 - eps_0) sigma T^4, in W/m2."""
    air_k = temp_c + 273.15
    return (1 - clear_sky_emissivity(vapour_hpa, air_k)) * STEFAN_BOLTZMANN_W_M2K4 * air_k**4
