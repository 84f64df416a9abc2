"""What acts on the skin of a parked wing, and how unsure that is.

References
----------
.. [1] J. J. Hamberg et al., Applied Optics 26, 1987: a surface of emittance 0.2 does not frost; hence emissivity is an
   input.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from watcher.physics.arrays import Array, Values
from watcher.physics.longwave import STEFAN_BOLTZMANN_W_M2K4
from watcher.physics.transfer import KELVIN, heat_transfer_w_m2k, vapour_transfer_kg_m2shpa


@dataclass(frozen=True, slots=True)
class Forcing:
    """What acts on the skin during a step; arrays or numbers that broadcast to the shape of the surface.

    Attributes
    ----------
    air_c, vapour_hpa
        Of the air near the ground.
    wind_ms
        At 10 m, as reported.
    longwave_w_m2, shortwave_w_m2
        Downwelling, on a level surface.
    pressure_hpa
        At the station.
    """

    air_c: Values
    vapour_hpa: Values
    wind_ms: Values
    longwave_w_m2: Values
    shortwave_w_m2: Values
    pressure_hpa: Values


@dataclass(frozen=True, slots=True)
class Uncertain:
    """What is not well known; arrays or numbers that broadcast to the shape of the surface.

    Attributes
    ----------
    emissivity
        Of the skin in the thermal infrared [1]_.
    transfer_factor, coupling_factor
        On the heat transfer to the air and on the coupling to what lies under the skin.
    sky_view
        Share of the sky that the skin sees; the rest is at air temperature (a hall, a pier).
    """

    emissivity: Values = 0.9
    transfer_factor: Values = 1.0
    coupling_factor: Values = 1.0
    sky_view: Values = 1.0


@dataclass(frozen=True, slots=True)
class Exchange:
    """A forcing worked out for the skin of every part, so that three parts pay for it once.

    Attributes
    ----------
    heat_in_w_m2
        What reaches the skin from sky and air whatever its temperature in °C, sunlight apart.
    transfer_w_m2k, vapour_kg_m2shpa
        Coefficients of heat and of vapour.
    radiating_w_m2k4
        Emissivity times the Stefan-Boltzmann constant.
    """

    heat_in_w_m2: Array
    transfer_w_m2k: Array
    vapour_kg_m2shpa: Array
    radiating_w_m2k4: Values
    forcing: Forcing
    coupling_factor: Values


def exchange(forcing: Forcing, uncertain: Uncertain | None = None) -> Exchange:
    """Return what a forcing means for the skin of any part.

    Parameters
    ----------
    forcing
        What acts on the skin.
    uncertain
        What is not well known; None: its defaults.

    Returns
    -------
    Exchange
        What ``surface.step`` takes.
    """
    unsure = uncertain or Uncertain()
    transfer = heat_transfer_w_m2k(forcing.air_c, forcing.wind_ms, forcing.pressure_hpa) * unsure.transfer_factor
    longwave = forcing.longwave_w_m2
    if not (isinstance(unsure.sky_view, float) and unsure.sky_view == 1.0):
        squared = np.square(np.asanyarray(forcing.air_c) + KELVIN)
        around = STEFAN_BOLTZMANN_W_M2K4 * squared * squared
        longwave = around + unsure.sky_view * (longwave - around)
    return Exchange(
        heat_in_w_m2=unsure.emissivity * longwave + transfer * forcing.air_c,
        transfer_w_m2k=transfer,
        vapour_kg_m2shpa=vapour_transfer_kg_m2shpa(transfer, forcing.pressure_hpa),
        radiating_w_m2k4=unsure.emissivity * STEFAN_BOLTZMANN_W_M2K4,
        forcing=forcing,
        coupling_factor=unsure.coupling_factor,
    )
