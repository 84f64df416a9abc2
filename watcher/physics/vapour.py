"""Water vapour on arrays: saturation, dew point and frost point. The formulas are those of ``humidity``, elementwise.

References
----------
.. [1] World Meteorological Organization, Guide to Instruments and Methods of Observation, WMO-No. 8, Volume I,
   Annex 4.B, formulae for the computation of measures of humidity: Magnus form over water (-45 to 60 °C) and over ice
   (-65 to 0 °C). The coefficients over ice are from memory; checked against other published forms in the tests.
"""

from __future__ import annotations

import numpy as np

from watcher.physics.arrays import Array, Values
from watcher.physics.humidity import E0_HPA, ICE_A, ICE_B, WATER_A, WATER_B


def over_water_hpa(t_c: Values) -> Array:
    """Return the saturation vapour pressure over water, 6.112 exp(17.62 t / (243.12 + t)) [1]_.

    Parameters
    ----------
    t_c
        Temperature. [°C], -45 to 60; any shape.

    Returns
    -------
    Array
        Pressure. [hPa]
    """
    return E0_HPA * np.exp(WATER_A * t_c / (WATER_B + t_c))


def over_ice_hpa(t_c: Values) -> Array:
    """Return the saturation vapour pressure over ice, 6.112 exp(22.46 t / (272.62 + t)) [1]_.

    Parameters
    ----------
    t_c
        Temperature. [°C], -65 to 0; any shape.

    Returns
    -------
    Array
        Pressure. [hPa]
    """
    return E0_HPA * np.exp(ICE_A * t_c / (ICE_B + t_c))


def dew_point_from_vapour_c(e_hpa: Values) -> Array:
    """Return the temperature at which this vapour is saturated over water: the inverse of :func:`over_water_hpa`.

    Parameters
    ----------
    e_hpa
        Vapour pressure. [hPa], above 0; any shape.

    Returns
    -------
    Array
        Dew point over water, as a report gives it, also below 0 °C. [°C]
    """
    x = np.log(e_hpa / E0_HPA)
    return WATER_B * x / (WATER_A - x)


def frost_point_from_vapour_c(e_hpa: Values) -> Array:
    """Return the temperature at which this vapour is saturated over ice; above 0 °C the dew point, for then it is dew.

    Parameters
    ----------
    e_hpa
        Vapour pressure. [hPa], above 0; any shape.

    Returns
    -------
    Array
        Frost point. [°C]
    """
    y = np.log(e_hpa / E0_HPA)
    return np.where(y > 0, WATER_B * y / (WATER_A - y), ICE_B * y / (ICE_A - y))


def frost_point_c(dew_point_c: Values) -> Array:
    """Return the temperature at which air of this dew point is saturated over ice [1]_.

    Parameters
    ----------
    dew_point_c
        Dew point over water, as reported. [°C]; any shape.

    Returns
    -------
    Array
        Frost point, the dew point itself above 0 °C. [°C]
    """
    y = WATER_A * dew_point_c / (WATER_B + dew_point_c)
    return np.where(y > 0, dew_point_c, ICE_B * y / (ICE_A - y))
