"""Ice and water on a skin: melting and freezing at 0 °C, and where settling vapour goes.

References
----------
.. [1] Heat of fusion 3.34e5 J/kg at 0 °C, in agreement with the difference of the heats of sublimation and evaporation
   within 0.3 % (memory; WMO-No. 8 gives the vapour side).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from watcher.physics.arrays import Array
from watcher.physics.skin import Skin

FUSION_J_KG = 3.34e5
# What stays of rain, dew or melt on the skin; the rest runs off. Common practice, no source.
KEPT_FILM_KG_M2 = 0.100


@dataclass(slots=True)
class Water:
    """What is on a skin; the arrays are its own and may be changed in place.

    Attributes
    ----------
    deposit_kg_m2
        Frost.
    film_kg_m2, frozen_kg_m2
        Water that settled, fell or melted, and the frozen share of it.
    """

    deposit_kg_m2: Array
    film_kg_m2: Array
    frozen_kg_m2: Array


def fuse(skin: Skin, water: Water, dt_s: float) -> None:
    """Let ice melt on a skin above 0 °C and water freeze on one below, as far as the heat at hand goes.

    Parameters
    ----------
    skin
        As solved without melting and freezing; its temperature and flux are changed.
    water
        What is on it, before this step's vapour; changed.
    dt_s
        Length of the step. [s]

    Notes
    -----
    Frozen film melts before frost does, melted frost joins the film, and the skin stays at 0 °C until all is melted or
    frozen [1]_.
    """
    per_kelvin = skin.stiffness_w_m2k * (dt_s / FUSION_J_KG)
    # Above 0: what the heat could melt; below: what it could freeze, negative.
    wanted = skin.temp_c * per_kelvin
    liquid = water.film_kg_m2 - water.frozen_kg_m2
    melted = np.clip(wanted, -liquid, water.deposit_kg_m2 + water.frozen_kg_m2)
    from_film = np.minimum(melted, water.frozen_kg_m2)
    from_frost = melted - from_film
    water.frozen_kg_m2 -= from_film
    water.deposit_kg_m2 -= from_frost
    water.film_kg_m2 += from_frost
    melted /= per_kelvin
    skin.temp_c -= melted
    melted *= skin.flux_slope_kg_m2sk
    skin.flux_kg_m2s += melted


def settle(skin: Skin, water: Water, dt_s: float) -> None:
    """Add the vapour that settled, or take what left: frost from an icy skin, film from a wet one, then the other.

    Parameters
    ----------
    skin
        As solved, after melting and freezing.
    water
        What is on it; changed. More film than stays on the skin runs off.
    dt_s
        Length of the step. [s]
    """
    settled = skin.flux_kg_m2s * dt_s
    frost = settled * skin.frosting
    water.deposit_kg_m2 += frost
    settled -= frost
    water.film_kg_m2 += settled
    _make_up(water.deposit_kg_m2, water.film_kg_m2)
    _make_up(water.film_kg_m2, water.deposit_kg_m2)
    np.minimum(water.film_kg_m2, KEPT_FILM_KG_M2, out=water.film_kg_m2)
    np.clip(water.frozen_kg_m2, 0, water.film_kg_m2, out=water.frozen_kg_m2)


def _make_up(lacking: Array, other: Array) -> None:
    short = np.minimum(lacking, 0)
    other += short
    np.maximum(lacking, 0, out=lacking)
