"""Saturation, frost point and relative humidity of air near the ground.

A METAR gives the dew point over water at any temperature. Frost needs the frost point, which is higher below 0 °C:
testing a surface against the dew point instead misses part of the frost.

References
----------
.. [1] World Meteorological Organization, Guide to Instruments and Methods of Observation, WMO-No. 8, Volume I,
   Annex 4.B, formulae for the computation of measures of humidity: Magnus form over water (-45 to 60 °C) and over ice
   (-65 to 0 °C). The coefficients over ice are from memory; checked against other published forms in the tests.
"""

from __future__ import annotations

import math

E0_HPA = 6.112
WATER_A, WATER_B = 17.62, 243.12
ICE_A, ICE_B = 22.46, 272.62


def saturation_over_water_hpa(temp_c: float) -> float:
    """Return the saturation vapour pressure over water, 6.112 exp(17.62 t / (243.12 + t)) [1]_.

    Parameters
    ----------
    temp_c
        Temperature in °C, -45 to 60.

    Returns
    -------
    float
        Pressure in hPa.
    """
    return E0_HPA * math.exp(WATER_A * temp_c / (WATER_B + temp_c))


def saturation_over_ice_hpa(temp_c: float) -> float:
    """Return the saturation vapour pressure over ice, 6.112 exp(22.46 t / (272.62 + t)) [1]_.

    Parameters
    ----------
    temp_c
        Temperature in °C, -65 to 0.

    Returns
    -------
    float
        Pressure in hPa.
    """
    return E0_HPA * math.exp(ICE_A * temp_c / (ICE_B + temp_c))


def frost_point_c(dew_point_c: float) -> float:
    """Return the temperature at which air of this dew point is saturated over ice.

    Parameters
    ----------
    dew_point_c
        Dew point over water in °C, as reported.

    Returns
    -------
    float
        Frost point in °C: the inverse of the ice formula [1]_ at the vapour pressure of the dew point. Above 0 °C it is
        the dew point itself, for what forms then is dew.
    """
    if dew_point_c > 0:
        return dew_point_c
    y = math.log(saturation_over_water_hpa(dew_point_c) / E0_HPA)
    return ICE_B * y / (ICE_A - y)


def relative_humidity_pct(temp_c: float, dew_point_c: float) -> float:
    """Return the relative humidity over water in percent; may pass 100 by rounding of the reported values [1]_.

    Parameters
    ----------
    temp_c, dew_point_c
        Air temperature and dew point over water in °C.
    """
    return 100 * saturation_over_water_hpa(dew_point_c) / saturation_over_water_hpa(temp_c)
