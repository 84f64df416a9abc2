"""The sky's heat: clear-sky emissivity from temperature and humidity, and what clouds add.

References
----------
.. [1] A. J. Prata, A new long-wave formula for estimating downward clear-sky radiation at the surface, Quarterly
   Journal of the Royal Meteorological Society 122, 1996 (the factor 46.5 of the water column from memory).
.. [2] M. Martin, P. Berdahl, Characteristics of infrared sky radiation in the United States, Solar Energy 33, 1984:
   layers of cloud that weaken with height (memory).
.. [3] M. H. Unsworth, J. L. Monteith, Long-wave radiation at the ground, Quarterly Journal of the Royal
   Meteorological Society 101, 1975; the quadratic form in okta was compared with it in tests/checks/longwave.py.
"""

from __future__ import annotations

import numpy as np

from watcher.physics.arrays import Array, Values

STEFAN_BOLTZMANN_W_M2K4 = 5.670374e-8
_CLOUD_SCALE_HEIGHT_M = 8200.0
_MIDDLE_CLOUD_M, _HIGH_CLOUD_M = 4000.0, 11_000.0
_OKTA_WEIGHT = 0.9


def precipitable_water_cm(e_hpa: Values, air_k: Values) -> Array:
    """Return the water column over the station, 46.5 e / T [1]_.

    Parameters
    ----------
    e_hpa
        Vapour pressure near the ground. [hPa]
    air_k
        Air temperature near the ground. [K]

    Returns
    -------
    Array
        Water column. [cm]
    """
    return np.asarray(46.5 * e_hpa / air_k)


def clear_sky_emissivity(e_hpa: Values, air_k: Values) -> Array:
    """Return the emissivity of the clear sky, 1 - (1 + w) exp(-sqrt(1.2 + 3 w)) [1]_.

    Parameters
    ----------
    e_hpa
        Vapour pressure near the ground. [hPa]
    air_k
        Air temperature near the ground. [K]

    Returns
    -------
    Array
        Emissivity, 0.66 for dry air to 1. [-]
    """
    water = precipitable_water_cm(e_hpa, air_k)
    return np.asarray(1 - (1 + water) * np.exp(-np.sqrt(1.2 + 3 * water)))


def cloud_factor(amounts: Values, heights_m: Values) -> Array:
    """Return how much of the gap between clear sky and black sky the layers close, 0 to 1 [2]_.

    K = 1 - prod (1 - dn_i eps_i exp(-z_i / 8200 m)); dn_i is what layer i adds to the sky left open by those below,
    eps is 1 below 4 km, 0.74 - 0.084 (z_km - 4) from 4 to 11 km and 0.15 above.

    Parameters
    ----------
    amounts
        Sky covered up to and with each layer, 0 to 1, the first axis over the layers, lowest first. [-]
    heights_m
        Height of each layer's base above the ground, same first axis. [m]

    Returns
    -------
    Array
        Cloud factor K, without the first axis. [-]

    Notes
    -----
    The sum over layers was not verified: no paired measurements of cloud base and longwave were at hand.
    """
    amount, height = np.broadcast_arrays(np.asarray(amounts), np.asarray(heights_m))
    covered = np.maximum.accumulate(amount, axis=0)
    below = np.concatenate([np.zeros_like(covered[:1]), covered[:-1]])
    added = np.where(below < 1, (covered - below) / np.maximum(1 - below, 1e-6), 0)
    emissivity = np.where(
        height < _MIDDLE_CLOUD_M,
        1.0,
        np.where(height > _HIGH_CLOUD_M, 0.15, 0.74 - 0.084 * (height - _MIDDLE_CLOUD_M) / 1000),
    )
    left = 1 - added * emissivity * np.exp(-height / _CLOUD_SCALE_HEIGHT_M)
    return np.asarray(1 - np.prod(left, axis=0), dtype=left.dtype)


def cloud_factor_from_okta(okta: Values) -> Array:
    """Return the cloud factor of a sky whose amount is known and whose height is not, 0.9 (okta / 8)^2.

    Parameters
    ----------
    okta
        Sky covered. [okta], 0 to 8

    Returns
    -------
    Array
        Cloud factor K. [-]

    Notes
    -----
    No published formula: chosen on the days of tests/checks/longwave.py, where it is off by 25.5 with a bias of 4.0
    W/m2, Unsworth and Monteith's 0.84 n [3]_ by 25.7 with 7.4. Where heights are known, take the layers.
    """
    amount = np.asanyarray(okta) / 8
    return _OKTA_WEIGHT * amount * amount


def downwelling_w_m2(air_k: Values, e_hpa: Values, cloud_factor: Values) -> Array:
    """Return the longwave radiation from the sky, sigma T^4 (eps_0 + (1 - eps_0) K) [1]_.

    Parameters
    ----------
    air_k
        Air temperature near the ground. [K]
    e_hpa
        Vapour pressure near the ground. [hPa]
    cloud_factor
        0 for a clear sky, 1 for a black one. [-]

    Returns
    -------
    Array
        Radiation. [W/m2]
    """
    clear = clear_sky_emissivity(e_hpa, air_k)
    squared = np.asanyarray(air_k) * air_k
    return STEFAN_BOLTZMANN_W_M2K4 * squared * squared * (clear + (1 - clear) * cloud_factor)
