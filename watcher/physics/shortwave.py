"""The sun on arrays: its elevation, and its light on a level surface under a clear and under a cloudy sky.

References
----------
.. [1] J. Meeus, Astronomical Algorithms, 2nd edition, Willmann-Bell, 1998, chapters 22 and 25; the series of ``sun``.
.. [2] B. Haurwitz, Insolation in relation to cloudiness and cloud density, Journal of Meteorology 2, 1945:
   1098 sin(h) exp(-0.059 / sin(h)) for a clear sky, with the coefficients that M. Reno, C. Hansen, J. Stein, Sandia
   report SAND2012-2389, 2012, give (and pvlib has).
.. [3] F. Kasten, G. Czeplak, Solar and terrestrial radiation dependent on the amount and type of cloud, Solar Energy
   24, 1980: 1 - 0.75 (N/8)^3.4.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from watcher.physics.arrays import Array, Values

_J2000 = np.datetime64("2000-01-01T12:00:00", "us")
_SECOND = np.timedelta64(1, "s")
_LOWEST_SINE = 1e-3


def sun_elevation_deg(
    latitude_deg: Values, longitude_deg: Values, when: npt.NDArray[np.datetime64] | np.datetime64
) -> Array:
    """Return the geometric elevation of the sun's centre, without refraction [1]_.

    Parameters
    ----------
    latitude_deg, longitude_deg
        Position, north and east positive. [degrees]
    when
        UTC; years 1900 to 2100. Shapes broadcast.

    Returns
    -------
    Array
        Elevation, equal to that of ``sun``. [degrees]
    """
    return elevation_deg(latitude_deg, longitude_deg, *sun_position(when))


def sun_position(when: npt.NDArray[np.datetime64] | np.datetime64) -> tuple[Array, Array]:
    """Return where the sun stands over the earth: for many stations at the same times it is computed once [1]_.

    Parameters
    ----------
    when
        UTC; years 1900 to 2100.

    Returns
    -------
    tuple[Array, Array]
        Declination and hour angle at longitude 0. [radians]
    """
    days = np.asarray((when - _J2000) / _SECOND, dtype=np.float64) / 86400
    declination, right_ascension = _equatorial(days / 36525)
    return declination, np.radians((280.46061837 + 360.98564736629 * days) % 360) - right_ascension


def elevation_deg(latitude_deg: Values, longitude_deg: Values, declination: Values, hour_angle_at_0: Values) -> Array:
    """Return the elevation of what stands at a place of ``sun_position``.

    Parameters
    ----------
    latitude_deg, longitude_deg
        Position, north and east positive. [degrees]
    declination, hour_angle_at_0
        As ``sun_position`` gives them. [radians] Shapes broadcast.

    Returns
    -------
    Array
        Elevation. [degrees]
    """
    hour_angle = hour_angle_at_0 + np.radians(longitude_deg)
    latitude = np.radians(latitude_deg)
    sine = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(hour_angle)
    return np.asarray(np.degrees(np.arcsin(np.clip(sine, -1, 1))))


def _equatorial(century: Array) -> tuple[Array, Array]:
    mean_longitude = np.radians((280.46646 + 36000.76983 * century) % 360)
    anomaly = np.radians((357.52911 + 35999.05029 * century) % 360)
    centre = (
        (1.914602 - 0.004817 * century) * np.sin(anomaly)
        + 0.019993 * np.sin(2 * anomaly)
        + 0.000289 * np.sin(3 * anomaly)
    )
    node = np.radians(125.04 - 1934.136 * century)
    longitude = mean_longitude + np.radians(centre - 0.00569 - 0.00478 * np.sin(node))
    obliquity = np.radians(23.439291 - 0.0130042 * century + 0.00256 * np.cos(node))
    declination = np.arcsin(np.sin(obliquity) * np.sin(longitude))
    return declination, np.arctan2(np.cos(obliquity) * np.sin(longitude), np.cos(longitude))


def clear_sky_global_w_m2(sun_elevation_deg: Values) -> Array:
    """Return the sun's light on a level surface under a clear sky, 1098 sin(h) exp(-0.059 / sin(h)) [2]_.

    Parameters
    ----------
    sun_elevation_deg
        Elevation of the sun's centre. [degrees]

    Returns
    -------
    Array
        Global irradiance, 0 below the horizon. [W/m2]
    """
    sine = np.sin(np.radians(sun_elevation_deg))
    return np.where(sine > 0, 1098 * sine * np.exp(-0.059 / np.maximum(sine, _LOWEST_SINE)), 0)


def cloud_transmission(amount: Values) -> Array:
    """Return the share of the clear sky's light that comes through clouds, 1 - 0.75 n^3.4 [3]_.

    Parameters
    ----------
    amount
        Sky covered, 0 to 1. [-]

    Returns
    -------
    Array
        Share, 0.25 to 1. [-]
    """
    return np.asarray(1 - 0.75 * np.power(amount, 3.4))
