"""Natural ground under an open night sky, which gives back the heat of the day: what a network's sensor looks at.

Ground is not a wing: it serves to check the radiation and the transfer of heat where surfaces were measured.

References
----------
.. [1] H. S. Carslaw, J. C. Jaeger, Conduction of Heat in Solids, 2nd edition, Oxford, 1959, chapter 2: heat drawn from
   a half-space whose surface temperature changes, G(t) = mu / sqrt(pi) integral of dT_s/dt' / sqrt(t - t') dt'.
"""

from __future__ import annotations

import numpy as np

from watcher.physics.arrays import Array, Values
from watcher.physics.longwave import STEFAN_BOLTZMANN_W_M2K4
from watcher.physics.transfer import KELVIN

EMISSIVITY = 0.97
# Between dry sand (600) and wet soil (1800); memory.
ADMITTANCE_J_M2KS05 = 1200.0
_NEWTON_STEPS = 2


def ground_temperature_c(
    air_c: Array,
    wind_ms: Array,
    longwave_w_m2: Array,
    dt_s: float,
    *,
    start_c: Values,
    admittance_j_m2ks05: Values = ADMITTANCE_J_M2KS05,
) -> Array:
    """Return the temperature of the ground's surface through a night.

    eps (L - sigma T^4) + h (T_a - T) = G with h = 3 + 3.5 V (common practice, no source), and G the heat that the
    half-space takes [1]_, its surface temperature piecewise linear in time. Implicit, two Newton steps.

    Parameters
    ----------
    air_c, wind_ms, longwave_w_m2
        Air temperature, wind and downwelling longwave radiation, the first axis over the steps. [°C], [m/s], [W/m2]
    dt_s
        Length of a step. [s]
    start_c
        Surface temperature one step before the first value, with the ground below at the same temperature. [°C]
    admittance_j_m2ks05
        Square root of conductivity, density and specific heat of the soil. [J/(m2 K s^0.5)]

    Returns
    -------
    Array
        Surface temperature at each step, shape of the inputs. [°C]

    Notes
    -----
    The heat of vapour that settles or leaves is left out.
    """
    surface = np.empty(np.broadcast_shapes(air_c.shape, wind_ms.shape, longwave_w_m2.shape))
    changes = np.zeros_like(surface)
    # What a change of 1 K spread over one step draws k steps later, for each square root of time.
    age = np.sqrt(np.arange(len(surface) + 1) * dt_s)
    draw = 2 / np.sqrt(np.pi) * np.diff(age) / dt_s
    previous = np.broadcast_to(np.asarray(start_c, dtype=float), surface.shape[1:])
    for now, (air, wind, longwave) in enumerate(zip(air_c, wind_ms, longwave_w_m2, strict=True)):
        earlier = admittance_j_m2ks05 * np.tensordot(draw[now:0:-1], changes[:now], axes=1)
        transfer, grip = 3 + 3.5 * wind, admittance_j_m2ks05 * draw[0]
        skin = previous
        for _ in range(_NEWTON_STEPS):
            kelvin = skin + KELVIN
            radiated = EMISSIVITY * STEFAN_BOLTZMANN_W_M2K4 * kelvin**3
            balance = EMISSIVITY * longwave - radiated * kelvin + transfer * (air - skin)
            balance = balance - earlier - grip * (skin - previous)
            skin = skin + balance / (4 * radiated + transfer + grip)
        surface[now], changes[now], previous = skin, skin - previous, skin
    return surface
