"""Ice and water on a skin: melting and freezing at 0 °C, and where settling vapour goes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from watcher.physics.arrays import Array
from watcher.physics.skin import Skin

# At 0 °C (memory); within 0.3 % the difference of the heats of sublimation and evaporation.
FUSION_J_KG = 3.34e5
# What stays of rain, dew or melt on the skin; the rest runs off. Common practice, no source.
KEPT_FILM_KG_M2 = 0.100


@dataclass(slots=True)
class Water:
    """What is on a skin; the arrays are its own and are changed in place.

    Attributes
    ----------
    deposit_kg_m2
        Frost.
    frozen_kg_m2, liquid_kg_m2
        The frozen and the liquid share of the film: water that settled as dew, fell as rain or melted.
    """

    deposit_kg_m2: Array
    frozen_kg_m2: Array
    liquid_kg_m2: Array


def take_part(skin: Skin, water: Water, dt_s: float) -> None:
    """Let vapour settle or leave, ice melt above 0 °C and water freeze below, as far as mass and heat go.

    Parameters
    ----------
    skin
        As solved without melting and freezing; its temperature is changed.
    water
        What is on it; changed.
    dt_s
        Length of the step. [s]

    Notes
    -----
    Frozen film melts before frost does, melted frost joins the film, and the skin stays at 0 °C until all is melted or
    frozen. Vapour leaves a skin at or below 0 °C as from ice and a warmer one as from water; where less of that is
    there than leaves, the other melts or freezes to make it up, so that the heat is that of what was there.
    """
    _settle(water, skin, skin.flux_kg_m2s * dt_s)
    less_flux = _fuse(skin, water, dt_s)
    _settle(water, skin, less_flux * dt_s)
    _make_up(water.frozen_kg_m2, water.liquid_kg_m2)
    _make_up(water.liquid_kg_m2, water.frozen_kg_m2)
    _make_up(water.frozen_kg_m2, water.deposit_kg_m2)
    np.maximum(water.deposit_kg_m2, 0, out=water.deposit_kg_m2)
    np.minimum(water.liquid_kg_m2, np.maximum(KEPT_FILM_KG_M2 - water.frozen_kg_m2, 0), out=water.liquid_kg_m2)


def _settle(water: Water, skin: Skin, settled_kg_m2: Array) -> None:
    frost = settled_kg_m2 * skin.frosting
    water.deposit_kg_m2 += frost
    water.liquid_kg_m2 += settled_kg_m2 - frost
    _make_up(water.deposit_kg_m2, water.frozen_kg_m2)


def _make_up(lacking: Array, other: Array) -> None:
    other += np.minimum(lacking, 0)
    np.maximum(lacking, 0, out=lacking)


def _fuse(skin: Skin, water: Water, dt_s: float) -> Array:
    """Melt or freeze, warm or cool the skin by it, and return by how much the flux of vapour changes."""
    per_kelvin = skin.stiffness_w_m2k * (dt_s / FUSION_J_KG)
    ice = water.deposit_kg_m2 + water.frozen_kg_m2
    melted = np.clip(skin.temp_c * per_kelvin, -water.liquid_kg_m2, ice)
    from_film = np.minimum(melted, water.frozen_kg_m2)
    water.frozen_kg_m2 -= from_film
    water.deposit_kg_m2 -= melted - from_film
    water.liquid_kg_m2 += melted
    melted /= per_kelvin
    skin.temp_c -= melted
    melted *= skin.flux_slope_kg_m2sk
    return melted
