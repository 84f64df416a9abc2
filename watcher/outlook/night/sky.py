"""What cloud groups mean for the heat of the night sky: the range of the cloud factor.

References
----------
.. [1] WMO-No. 306, FM 15: FEW 1 to 2, SCT 3 to 4, BKN 5 to 7 eighths, OVC 8; CAVOK, SKC, NSC, CLR and NCD say that
   nothing is seen below a limit.
.. [2] M. Martin, P. Berdahl, Solar Energy 33, 1984: layers of cloud that weaken with height (memory). Without a height
   the whole sky's 0.9 n^2 of `watcher.physics.longwave.cloud_factor_from_okta`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

from watcher.reports.model import CloudLayer
from watcher.units import METRES_PER_FOOT

_AMOUNTS = {"FEW": (0.125, 0.25), "SCT": (0.375, 0.5), "BKN": (0.625, 0.875), "OVC": (1.0, 1.0)}
_NOTHING = frozenset({"SKC", "CLR", "NSC", "NCD"})
# Fog closes the sky from the ground up; common practice, no source.
FOG_FACTOR = 0.97
# What may be above the limit of what is reported: how often, and how much at most. Assumed, no source.
UNSEEN_SHARE, UNSEEN_MOST = 0.35, 0.35
# Standard deviation of the factor where cover is known, by cover: measured by eighths on daytime longwave with the
# height unknown; a known height takes much of it away (how much was not measured).
_CLEAR_SD, _BROKEN_SD, _OVERCAST_SD = 0.06, 0.15, 0.10
_HIGH_OR_LOW_BROKEN_SD, _HIGH_OR_LOW_OVERCAST_SD = 0.30, 0.25
_OKTA_WEIGHT = 0.9
_SCALE_HEIGHT_M = 8200.0
# Above a sky this closed nothing more is to be gained.
_SEEN_THROUGH = 0.5


@dataclass(frozen=True, slots=True)
class Sky:
    """The cloud factor of one state of the sky.

    `low` to `high`: what the amounts leave open; `sd`: error of the factor itself; `unseen`: whether cloud may be
    above what is reported; `known`: False when nothing is said.
    """

    low: float
    high: float
    sd: float
    unseen: bool = False
    known: bool = True


UNKNOWN_SKY = Sky(0.0, 0.9, 0.0, known=False)
FOG_SKY = Sky(FOG_FACTOR, FOG_FACTOR, 0.02)


@lru_cache(maxsize=8192)
def sky_of(clouds: tuple[CloudLayer, ...] | None, vertical_visibility_ft: int | None, *, cavok: bool) -> Sky:
    """Return what the cloud groups of a report or of a TAF say about the cloud factor.

    Parameters
    ----------
    clouds
        Cloud groups, None when not reported.
    vertical_visibility_ft
        VV, in feet.
    cavok
        Whether CAVOK was given.

    Returns
    -------
    Sky
        A group without amount and a missing group leave everything open.
    """
    if vertical_visibility_ft is not None:
        factor = math.exp(-vertical_visibility_ft * METRES_PER_FOOT / _SCALE_HEIGHT_M)
        return Sky(factor, factor, 0.02)
    if clouds is None:
        return Sky(0.0, 0.0, _CLEAR_SD, unseen=True) if cavok else UNKNOWN_SKY
    if not clouds or all(layer.amount in _NOTHING for layer in clouds):
        return Sky(0.0, 0.0, _CLEAR_SD, unseen=True) if clouds else UNKNOWN_SKY
    layers = [layer for layer in clouds if layer.amount not in _NOTHING]
    least, most = ([_amount(layer)[end] for layer in layers] for end in (0, 1))
    if any(layer.base_ft is None for layer in layers):
        low, high = (_OKTA_WEIGHT * max(amounts) ** 2 for amounts in (least, most))
        broken, overcast = _HIGH_OR_LOW_BROKEN_SD, _HIGH_OR_LOW_OVERCAST_SD
    else:
        heights = [(layer.base_ft or 0) * METRES_PER_FOOT for layer in layers]
        low, high = (_factor(zip(amounts, heights, strict=True)) for amounts in (least, most))
        broken, overcast = _BROKEN_SD, _OVERCAST_SD
    error = _CLEAR_SD if max(most) <= _AMOUNTS["SCT"][1] else broken if max(least) < 1 else overcast
    return Sky(low, high, error, unseen=high < _SEEN_THROUGH)


def _amount(layer: CloudLayer) -> tuple[float, float]:
    """Return the least and the most of the sky that a group covers; heavy cloud counts as broken at least."""
    least, most = _AMOUNTS.get(layer.amount or "", (0.0, 1.0))
    if layer.type in {"CB", "TCU"}:
        least, most = max(least, _AMOUNTS["BKN"][0]), max(most, _AMOUNTS["BKN"][1])
    return least, most


def _factor(layers: Iterable[tuple[float, float]]) -> float:
    """Return 1 - prod (1 - dn eps exp(-z / 8200 m)) over layers of (amount, height) [2]_."""
    left, below = 1.0, 0.0
    for amount, height in sorted(layers, key=lambda layer: layer[1]):
        added = max(0.0, amount - below) / (1 - below) if below < 1 else 0.0
        left *= 1 - added * _emissivity(height) * math.exp(-height / _SCALE_HEIGHT_M)
        below = max(below, amount)
    return 1 - left


def _emissivity(height_m: float) -> float:
    kilometres = height_m / 1000
    return 1.0 if kilometres < 4 else 0.15 if kilometres > 11 else 0.74 - 0.084 * (kilometres - 4)
