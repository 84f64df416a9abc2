"""The temperature of a skin that radiates, trades heat and vapour with the air, and holds a limited amount of water.

References
----------
.. [1] World Meteorological Organization, WMO-No. 8, Volume I, Annex 4.B: saturation over water and over ice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from watcher.physics.arrays import Array
from watcher.physics.humidity import E0_HPA, ICE_A, ICE_B, WATER_A, WATER_B
from watcher.physics.transfer import KELVIN

SUBLIMATION_J_KG = 2.834e6
EVAPORATION_J_KG = 2.501e6
_NEWTON_STEPS = 2


@dataclass(slots=True)
class Skin:
    """A solved skin; the arrays are its own and may be changed in place.

    Attributes
    ----------
    temp_c
        Temperature.
    stiffness_w_m2k
        Heat that one more kelvin would lose; what melting or freezing takes is felt through it.
    flux_kg_m2s
        Vapour that settles on the skin, negative when it leaves.
    flux_slope_kg_m2sk
        How much less would settle at one more kelvin.
    frosting
        Whether that vapour is ice: the skin was at or below 0 °C when last looked at.
    """

    temp_c: Array
    stiffness_w_m2k: Array
    flux_kg_m2s: Array
    flux_slope_kg_m2sk: Array
    frosting: npt.NDArray[np.bool_]


def solve(
    start_c: Array,
    gain_w_m2: Array,
    loss_w_m2k: Array,
    *,
    radiating_w_m2k4: Array,
    vapour_hpa: Array,
    vapour_kg_m2shpa: Array,
    least_flux_kg_m2s: Array,
) -> Skin:
    """Return the skin at which heat gained and lost agree.

    gain - loss T - r (T + 273.15)^4 + L f(T) = 0 with f = max(g (e - e_s(T)), least flux), in two Newton steps from the
    start; e_s [1]_ and L are those of ice at or below 0 °C and of water above.

    Parameters
    ----------
    start_c
        Where to begin: the temperature before. [°C]
    gain_w_m2, loss_w_m2k
        Heat that does not depend on the skin, and heat lost for each °C. [W/m2], [W/m2K]
    radiating_w_m2k4
        Emissivity times the Stefan-Boltzmann constant. [W/m2K4]
    vapour_hpa, vapour_kg_m2shpa
        Vapour pressure of the air and mass transfer coefficient. [hPa], [kg/(m2 s hPa)]
    least_flux_kg_m2s
        The most that may leave, as a negative flux: what is on the skin divided by the step. [kg/(m2 s)]

    Returns
    -------
    Skin
        Temperature and flux agree with each other: the flux is linearised about the last Newton step.
    """
    skin = start_c.copy()
    leaving, arriving = vapour_kg_m2shpa * E0_HPA, vapour_kg_m2shpa * vapour_hpa
    for _ in range(_NEWTON_STEPS):
        frosting = skin <= 0
        a, b, heat = _phase(frosting, skin.dtype)
        inverse = 1 / (skin + b)
        slope = np.exp(a * skin * inverse)
        slope *= leaving
        flux = arriving - slope
        inverse *= inverse
        slope *= a * b * inverse
        slope *= flux > least_flux_kg_m2s
        np.maximum(flux, least_flux_kg_m2s, out=flux)
        kelvin = skin + KELVIN
        radiated = kelvin * kelvin
        radiated *= kelvin
        radiated *= radiating_w_m2k4
        stiffness = 4 * radiated
        stiffness += loss_w_m2k
        stiffness += heat * slope
        kelvin *= radiated
        change = gain_w_m2 - loss_w_m2k * skin
        change -= kelvin
        change += heat * flux
        change /= stiffness
        skin += change
    change *= slope
    flux -= change
    solved = Skin(skin, stiffness, flux, slope, frosting)
    _hold_back(solved, least_flux_kg_m2s, heat)
    return solved


def _phase(frosting: npt.NDArray[np.bool_], like: np.dtype[np.floating]) -> tuple[Array, Array, Array]:
    """Return both Magnus coefficients and the heat of the phase change: of ice where it frosts, else of water.

    Sums with the flag as 0 or 1 take a third of the time of a choice between two arrays. Where all are of one phase the
    same sum is made of numbers, so that a wing's answer does not depend on the wings beside it, not in the last bit.
    """
    flag = frosting if frosting.any() and not frosting.all() else np.bool_(frosting.all())
    return (
        np.asarray(like.type(WATER_A) + flag * like.type(ICE_A - WATER_A)),
        np.asarray(like.type(WATER_B) + flag * like.type(ICE_B - WATER_B)),
        np.asarray(like.type(EVAPORATION_J_KG) + flag * like.type(SUBLIMATION_J_KG - EVAPORATION_J_KG)),
    )


def _hold_back(skin: Skin, least_flux: Array, heat: Array) -> None:
    """Keep what the linearised flux would take beyond what is there, and give the skin the heat that it did not use."""
    missing = least_flux - skin.flux_kg_m2s
    if missing.max(initial=0) > 0:
        np.maximum(missing, 0, out=missing)
        skin.flux_kg_m2s += missing
        missing *= heat / (skin.stiffness_w_m2k - heat * skin.flux_slope_kg_m2sk)
        skin.temp_c += missing
