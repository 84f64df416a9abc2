"""Heat and vapour carried between the air and a wing's skin, and the pressure at the station.

References
----------
.. [1] International Civil Aviation Organization, Manual of the ICAO Standard Atmosphere, Doc 7488: 288.15 K and
   1013.25 hPa at sea level, 6.5 K/km; QNH is the setting at which an altimeter on the ground shows its elevation.
.. [2] F. P. Incropera and D. P. DeWitt, Fundamentals of Heat and Mass Transfer, Wiley: turbulent flat plate,
   Nu = 0.037 Re^0.8 Pr^(1/3) (memory), and the likeness of heat and mass transfer, h / (rho c_p Le^(2/3)).
.. [3] S. W. Churchill and R. Usagi, A general expression for the correlation of rates of transfer and other phenomena,
   AIChE Journal 18, 1972: a cubic blend of forced and free convection (the exponent 3 from memory).
.. [4] M. Muselli, O. Carvajal, D. Beysens, Atmosphere 13(1), 65, 2022: on car roofs transfer is nearly independent
   of wind when wind is low, which supports a floor.
"""

from __future__ import annotations

import numpy as np

from watcher.physics.arrays import Array, Values

KELVIN = 273.15
CHORD_M = 2.0
# The wind at wing height over the wind at 10 m; common practice, no source.
WING_HEIGHT_WIND = 0.8
# Chosen on a thin panel at night, see tests/checks/panel.py; no measurement of a wing was available.
FREE_W_M2K = 4.5
ENHANCEMENT = 1.3
_PRANDTL = 0.712
_CONDUCTIVITY_W_MK = 0.0243
_VISCOSITY_M2_S = 1.33e-5
_LEAST_WIND_MS = 1e-3
# Forced convection at 1 m/s along the chord, 0 °C and 1013.25 hPa. [W/m2K]
_FORCED_W_M2K = (
    ENHANCEMENT * 0.037 * (CHORD_M / _VISCOSITY_M2_S) ** 0.8 * _PRANDTL ** (1 / 3) * _CONDUCTIVITY_W_MK / CHORD_M
)
# k varies with T^0.85 and nu with T^1.75 / p, so k / nu^0.8 with T^-0.55 p^0.8.
_FORCED_TEMPERATURE_EXPONENT = 0.85 - 0.8 * 1.75

_VAPOUR_TO_AIR = 0.62198
_HEAT_CAPACITY_J_KGK = 1005.0
_LEWIS = 0.86
_STANDARD_HPA, _STANDARD_K, _LAPSE_K_M, _EXPONENT = 1013.25, 288.15, 0.0065, 5.25588


def heat_transfer_w_m2k(air_c: Values, wind_10m_ms: Values, pressure_hpa: Values) -> Array:
    """Return the heat transfer coefficient of a wing's upper skin.

    h = (h_f^3 + h_0^3)^(1/3) [3]_, h_f = 1.3 x 0.037 Re^0.8 Pr^(1/3) k / L_c [2]_ with L_c = 2 m and
    nu = 1.33e-5 (T/273.15)^1.75 (1013.25/p), k = 0.0243 (T/273.15)^0.85, Pr = 0.712 (memory); h_0 = 4.5 W/m2K [4]_.

    Parameters
    ----------
    air_c
        Air temperature. [°C]
    wind_10m_ms
        Wind at 10 m as reported, from 0. [m/s]
    pressure_hpa
        Pressure at the station, not reduced to sea level. [hPa]

    Returns
    -------
    Array
        Coefficient, at least 4.5. [W/m2K]

    Notes
    -----
    1.3 and 4.5 were chosen on two nights of one thin panel, the 0.8 for wing height is unmeasured.
    """
    wind = np.maximum(wind_10m_ms, _LEAST_WIND_MS)
    # Powers as exp and log, which numpy has in vector form: a third of the time of ** and cbrt.
    log_speed = np.log(wind * (pressure_hpa * (WING_HEIGHT_WIND / _STANDARD_HPA)))
    log_warmth = np.log((air_c + KELVIN) / KELVIN)
    forced_cubed = _FORCED_W_M2K**3 * np.exp(2.4 * log_speed + (3 * _FORCED_TEMPERATURE_EXPONENT) * log_warmth)
    return np.asarray(np.exp(np.log(forced_cubed + FREE_W_M2K**3) / 3))


def vapour_transfer_kg_m2shpa(heat_transfer: Values, pressure_hpa: Values) -> Array:
    """Return the mass transfer coefficient for vapour, by the likeness of heat and mass transfer [2]_.

    h_m 100 / (R_v T) with h_m = h / (rho c_p Le^(2/3)) and Le = 0.86 (memory); with rho = p / (R_d T) the temperature
    cancels: h 0.62198 / (p c_p Le^(2/3)).

    Parameters
    ----------
    heat_transfer
        Heat transfer coefficient. [W/m2K]
    pressure_hpa
        Pressure at the station. [hPa]

    Returns
    -------
    Array
        Mass flux for each hPa between the air and the skin. [kg/(m2 s hPa)]
    """
    per_heat = _VAPOUR_TO_AIR / (_HEAT_CAPACITY_J_KGK * _LEWIS ** (2 / 3))
    return np.asarray(heat_transfer * per_heat / pressure_hpa)


def pressure_hpa(elevation_m: Values, qnh_hpa: Values | None = None) -> Array:
    """Return the pressure at a station from its elevation and QNH, by the ICAO standard atmosphere [1]_.

    Parameters
    ----------
    elevation_m
        Elevation above mean sea level. [m], -500 to 11 000
    qnh_hpa
        Reported QNH; None: 1013.25. [hPa]

    Returns
    -------
    Array
        Pressure. [hPa]
    """
    sea_level = 1.0 if qnh_hpa is None else (qnh_hpa / _STANDARD_HPA) ** (1 / _EXPONENT)
    return np.asarray(_STANDARD_HPA * (sea_level - _LAPSE_K_M / _STANDARD_K * np.asanyarray(elevation_m)) ** _EXPONENT)
