"""The heat and ice of a parked wing's skin, one step in time for any number of wings at once.

References
----------
.. [1] M. Dietenberger, P. Kumar, J. Luers, Frost formation on an airfoil, NASA CR-3129, 1979: heat and mass transfer by
   free and turbulent forced convection with a growing frost layer; the structure followed here.
.. [2] World Meteorological Organization, WMO-No. 8, Volume I, Annex 4.B: saturation over water and over ice.
.. [3] FAA and Transport Canada ground-icing guidance: active frost needs a surface at or below 0 °C and at or below the
   dew point, in other texts the frost point; the frost point is taken, which is warmer and the limit of deposition.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from watcher.physics.arrays import Array
from watcher.physics.forcing import Exchange, Forcing, Uncertain, exchange
from watcher.physics.skin import Skin, solve
from watcher.physics.vapour import frost_point_from_vapour_c
from watcher.physics.water import Water, take_part

__all__ = [
    "DRY_BAY",
    "TANK_FULL",
    "TANK_PART",
    "Exchange",
    "Forcing",
    "Part",
    "Surface",
    "Uncertain",
    "advance",
    "exchange",
    "is_active_frost",
    "is_deposit",
    "is_frozen_residual",
    "step",
]

# What a frosted and a clean white skin send back of the sunlight; memory.
FROSTED_ALBEDO, CLEAN_ALBEDO = 0.55, 0.75
# From here a deposit counts, about 0.05 to 0.1 mm of frost; common practice, no source.
VISIBLE_KG_M2 = 0.010
# Between the fuel and the air through the lower skin; memory.
LOWER_SKIN_W_M2K = 10.5


@dataclass(frozen=True, slots=True)
class Part:
    """A part of the wing by what lies under its skin, for each square metre.

    Attributes
    ----------
    heat_capacity_j_m2k
        Of the skin with its stringers.
    coupling_w_m2k
        Between the skin and what lies under it: fuel, or the air where there is none.
    fuel_capacity_j_m2k
        Of the fuel under the skin; None: there is none.
    """

    name: str
    heat_capacity_j_m2k: float
    coupling_w_m2k: float
    fuel_capacity_j_m2k: float | None


# 3 mm of aluminium with stringers; under a dry bay a cavity in series with the lower skin; fuel of 800 kg/m3 and
# 2000 J/kgK, 0.3 m deep and touching the skin, or 0.15 m deep under air. Memory, unmeasured.
DRY_BAY = Part("dry_bay", 9e3, 3.3, None)
TANK_FULL = Part("tank_full", 9e3, 60.0, 480e3)
TANK_PART = Part("tank_part", 9e3, 4.0, 240e3)


@dataclass(frozen=True, slots=True)
class Surface:
    """The state of the skin; arrays of one shape.

    Attributes
    ----------
    skin_c
        Temperature of the upper skin.
    deposit_kg_m2
        Frost: ice that came from the air's vapour.
    film_kg_m2
        Water from rain, dew or melt that stays on the skin, liquid and frozen together.
    fuel_c
        Temperature of the fuel; None over a dry bay.
    frozen_kg_m2
        The frozen share of the film; None: all of it at or below 0 °C, none above.
    """

    skin_c: Array
    deposit_kg_m2: Array
    film_kg_m2: Array
    fuel_c: Array | None = None
    frozen_kg_m2: Array | None = None


def advance(surface: Surface, forcing: Forcing, part: Part, dt_s: float, uncertain: Uncertain | None = None) -> Surface:
    r"""Return the surface one step later.

    The balance of the skin [1]_, with vapour pressures of [2]_:

    .. math:: C \dot T_s = \epsilon (F L + (1-F) \sigma T_a^4 - \sigma T_s^4) + h (T_a - T_s) + U (T_b - T_s)
              + L_x g (e - e_s(T_s)) + (1 - A) S

    Parameters
    ----------
    surface
        The state before the step.
    forcing
        What acts on the skin, at the end of the step.
    part
        What lies under the skin.
    dt_s
        Length of the step. [s], above 0; an equilibrium takes 1e5 s, repeated until it rests.
    uncertain
        What is not well known; None: its defaults.

    Returns
    -------
    Surface
        The state after the step; the arrays given are left as they were.

    Notes
    -----
    Implicit in time, with two Newton steps in which radiation and vapour are linearised, so that any step is stable.
    Ice melts and water freezes at 0 °C with their heat of fusion. The heat that ice and water on the skin hold by
    their temperature is left out (5 % of the skin's at 0.1 kg/m2), and so is the resistance of the frost itself.
    """
    return step(surface, exchange(forcing, uncertain), part, dt_s)


def step(surface: Surface, acting: Exchange, part: Part, dt_s: float) -> Surface:
    """Return the surface one step later, from a forcing that was worked out before; see :func:`advance`.

    Parameters
    ----------
    surface
        The state before the step.
    acting
        What acts on the skin, at the end of the step.
    part
        What lies under the skin.
    dt_s
        Length of the step. [s]

    Returns
    -------
    Surface
        The state after the step.

    Raises
    ------
    ValueError
        When there is fuel under the skin and its temperature is None: take a range where it is not known.
    """
    like = surface.skin_c.dtype
    inertia = part.heat_capacity_j_m2k / dt_s
    beneath = _beneath(surface, acting, part, dt_s)
    gain = inertia * surface.skin_c
    gain += np.asarray(acting.heat_in_w_m2, dtype=like)
    gain += beneath.gain_w_m2
    _add_sunlight(gain, surface, np.asarray(acting.forcing.shortwave_w_m2, dtype=like))
    skin = solve(
        surface.skin_c,
        gain,
        np.asarray(acting.transfer_w_m2k, dtype=like) + (beneath.loss_w_m2k + inertia),
        radiating_w_m2k4=np.asarray(acting.radiating_w_m2k4, dtype=like),
        vapour_hpa=np.asarray(acting.forcing.vapour_hpa, dtype=like),
        vapour_kg_m2shpa=np.asarray(acting.vapour_kg_m2shpa, dtype=like),
        least_flux_kg_m2s=(surface.deposit_kg_m2 + surface.film_kg_m2) * (-1 / dt_s),
    )
    deposit, film, frozen = _after(surface, skin, dt_s)
    return Surface(skin.temp_c, deposit, film, beneath.fuel_c(skin.temp_c), frozen)


@dataclass(frozen=True, slots=True)
class _Beneath:
    """What lies under the skin, with the fuel's temperature after the step put as gain + slope x skin."""

    gain_w_m2: Array
    loss_w_m2k: Array
    fuel_gain_c: Array | None = None
    fuel_slope: Array | None = None

    def fuel_c(self, skin_c: Array) -> Array | None:
        if self.fuel_gain_c is None or self.fuel_slope is None:
            return None
        return self.fuel_gain_c + self.fuel_slope * skin_c


def _beneath(surface: Surface, acting: Exchange, part: Part, dt_s: float) -> _Beneath:
    like = surface.skin_c.dtype
    coupling = np.asarray(part.coupling_w_m2k * acting.coupling_factor, dtype=like)
    air_c = np.asarray(acting.forcing.air_c, dtype=like)
    if part.fuel_capacity_j_m2k is None:
        return _Beneath(coupling * air_c, coupling)
    if surface.fuel_c is None:
        raise ValueError(f"{part.name}: there is fuel under the skin, so the surface needs fuel_c")
    held = part.fuel_capacity_j_m2k / dt_s
    per_kelvin = 1 / (coupling + (held + LOWER_SKIN_W_M2K))
    fuel_gain = held * surface.fuel_c
    fuel_gain += LOWER_SKIN_W_M2K * air_c
    fuel_gain *= per_kelvin
    slope = coupling * per_kelvin
    return _Beneath(coupling * fuel_gain, coupling - coupling * slope, fuel_gain, slope)


def _add_sunlight(gain: Array, surface: Surface, shortwave_w_m2: Array) -> None:
    if shortwave_w_m2.any():
        albedo = np.where(is_deposit(surface), gain.dtype.type(FROSTED_ALBEDO), gain.dtype.type(CLEAN_ALBEDO))
        gain += (1 - albedo) * shortwave_w_m2


def _after(surface: Surface, skin: Skin, dt_s: float) -> tuple[Array, Array, Array | None]:
    """Return deposit, film and its frozen share after the step, and let melting and freezing act on the skin."""
    if skin.frosting.all() and skin.temp_c.max(initial=0) <= 0 and not surface.film_kg_m2.any():
        deposit = skin.flux_kg_m2s * dt_s
        deposit += surface.deposit_kg_m2
        return np.maximum(deposit, 0, out=deposit), surface.film_kg_m2, None
    frozen = _frozen_kg_m2(surface)
    water = Water(surface.deposit_kg_m2.copy(), frozen, surface.film_kg_m2 - frozen)
    take_part(skin, water, dt_s)
    return water.deposit_kg_m2, water.frozen_kg_m2 + water.liquid_kg_m2, water.frozen_kg_m2


def _frozen_kg_m2(surface: Surface) -> Array:
    if surface.frozen_kg_m2 is not None:
        return np.minimum(surface.frozen_kg_m2, surface.film_kg_m2)
    return surface.film_kg_m2 * (surface.skin_c <= 0)


def is_active_frost(surface: Surface, forcing: Forcing) -> npt.NDArray[np.bool_]:
    """Return where frost is forming: the skin at or below 0 °C and at or below the frost point [3]_.

    Parameters
    ----------
    surface
        The state of the skin.
    forcing
        The air about it; only its vapour is used.
    """
    return np.asarray((surface.skin_c <= 0) & (surface.skin_c <= frost_point_from_vapour_c(forcing.vapour_hpa)))


def is_frozen_residual(surface: Surface) -> npt.NDArray[np.bool_]:
    """Return where water that was on the skin is freezing or frozen, whatever the dew point.

    Parameters
    ----------
    surface
        The state of the skin.
    """
    return (surface.film_kg_m2 > VISIBLE_KG_M2) & ((surface.skin_c <= 0) | (_frozen_kg_m2(surface) > VISIBLE_KG_M2))


def is_deposit(surface: Surface) -> npt.NDArray[np.bool_]:
    """Return where ice on the skin, from frost or frozen water, is more than 10 g/m2.

    Parameters
    ----------
    surface
        The state of the skin.

    Notes
    -----
    Less than 10 g/m2 ranks lower; it never means clean.
    """
    ice = surface.deposit_kg_m2 if surface.frozen_kg_m2 is None else surface.deposit_kg_m2 + surface.frozen_kg_m2
    return np.asarray(ice > VISIBLE_KG_M2)
