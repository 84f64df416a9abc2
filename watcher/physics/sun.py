"""Where the sun is.

References
----------
.. [1] J. Meeus, Astronomical Algorithms, 2nd edition, Willmann-Bell, 1998, chapters 22 and 25 (low accuracy: 0.01
   degrees).
.. [2] NOAA Global Monitoring Laboratory, Solar Calculation Details: the same series arranged for the sun's elevation.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime

_J2000 = datetime(2000, 1, 1, 12, tzinfo=UTC)
# Upper limb on the horizon with standard refraction: 16' half width and 34' refraction (Meeus, chapter 15).
SUNRISE_ELEVATION_DEG = -0.833


def sun_elevation_deg(latitude_deg: float, longitude_deg: float, when: datetime) -> float:
    """Return the geometric elevation of the sun's centre, without refraction [1]_ [2]_.

    Parameters
    ----------
    latitude_deg, longitude_deg
        Position in degrees, north and east positive.
    when
        Aware time; years 1900 to 2100.

    Returns
    -------
    float
        Elevation in degrees, -90 to 90; within 0.02 degrees.
    """
    days = (when - _J2000).total_seconds() / 86400
    century = days / 36525
    mean_longitude = math.radians((280.46646 + 36000.76983 * century) % 360)
    anomaly = math.radians((357.52911 + 35999.05029 * century) % 360)
    centre = (
        (1.914602 - 0.004817 * century) * math.sin(anomaly)
        + 0.019993 * math.sin(2 * anomaly)
        + 0.000289 * math.sin(3 * anomaly)
    )
    node = math.radians(125.04 - 1934.136 * century)
    longitude = mean_longitude + math.radians(centre - 0.00569 - 0.00478 * math.sin(node))
    obliquity = math.radians(23.439291 - 0.0130042 * century + 0.00256 * math.cos(node))
    declination = math.asin(math.sin(obliquity) * math.sin(longitude))
    right_ascension = math.atan2(math.cos(obliquity) * math.sin(longitude), math.cos(longitude))
    sidereal = math.radians((280.46061837 + 360.98564736629 * days) % 360)
    hour_angle = sidereal + math.radians(longitude_deg) - right_ascension
    latitude = math.radians(latitude_deg)
    sine = math.sin(latitude) * math.sin(declination) + math.cos(latitude) * math.cos(declination) * math.cos(
        hour_angle
    )
    return math.degrees(math.asin(max(-1.0, min(1.0, sine))))


def is_night(elevation_deg: float) -> bool:
    """Return whether the sun's upper limb is below the horizon."""
    return elevation_deg < SUNRISE_ELEVATION_DEG
