"""Snowfall intensity from visibility, temperature and daylight, by two published charts, of which the heavier counts.

The sign in a METAR goes by visibility alone, which is no valid measure of snowfall: by night the same snowfall leaves
more than twice the visibility. The charts differ in places, and at -1 °C they put the same report into opposite rows.

References
----------
.. [1] Transport Canada, TP 10643E, chapter 2, table 1 (2003 guidelines): thresholds in statute miles, "-1 and above"
   against "below -1".
.. [2] US Federal Aviation Administration, snowfall intensities as a function of prevailing visibility (layout before
   2009): columns in metres, "colder or equal -1" against "warmer than -1"; between two columns the lower one is taken.
"""

from __future__ import annotations

from enum import IntEnum

from watcher.units import METRES_PER_STATUTE_MILE


class Snowfall(IntEnum):
    """Intensity, ordered. `word` is the value of the fact."""

    NONE = 0
    VERY_LIGHT = 1
    LIGHT = 2
    MODERATE = 3
    HEAVY = 4

    @property
    def word(self) -> str:
        """The word in rules and on screens."""
        return self.name.lower()


_BOUNDARY_C = -1.0

# (night, warm row) -> upper ends in statute miles of heavy, moderate and light; very light above [1].
_TC_LE_SM: dict[tuple[bool, bool], tuple[float, float, float]] = {
    (True, True): (1.0, 2.5, 4.0),
    (True, False): (0.75, 1.5, 3.0),
    (False, True): (0.5, 1.5, 3.0),
    (False, False): (0.375, 0.875, 2.0),
}

# (night, warm row) -> lowest visibility in metres of moderate, light and very light; heavy below [2].
_FAA_GE_M: dict[tuple[bool, bool], tuple[float, float, float]] = {
    (True, True): (2400.0, 3200.0, 4000.0),
    (True, False): (1600.0, 3200.0, 4000.0),
    (False, True): (1200.0, 2400.0, 4000.0),
    (False, False): (800.0, 1600.0, 3200.0),
}


def canadian_chart(visibility_m: float, temp_c: float, *, night: bool) -> Snowfall:
    """Return the intensity by the first chart [1]_; visibility in metres, temperature in °C."""
    miles = visibility_m / METRES_PER_STATUTE_MILE
    heavy, moderate, light = _TC_LE_SM[night, temp_c >= _BOUNDARY_C]
    # Reported visibilities are rounded to metres; a mile of 1609 m must not fall on the other side of 1 SM.
    return _by_upper_ends(round(miles, 3), heavy, moderate, light)


def american_chart(visibility_m: float, temp_c: float, *, night: bool) -> Snowfall:
    """Return the intensity by the second chart [2]_; visibility in metres, temperature in °C."""
    moderate, light, very_light = _FAA_GE_M[night, temp_c > _BOUNDARY_C]
    if visibility_m >= very_light:
        return Snowfall.VERY_LIGHT
    if visibility_m >= light:
        return Snowfall.LIGHT
    return Snowfall.MODERATE if visibility_m >= moderate else Snowfall.HEAVY


def snowfall(
    visibility_m: float, temp_low_c: float, temp_high_c: float, *, night: bool | None, heavy_by_report: bool = False
) -> Snowfall:
    """Return the heaviest intensity that either chart gives over the temperature interval.

    Parameters
    ----------
    visibility_m
        Prevailing visibility in metres. Not the runway visual range.
    temp_low_c, temp_high_c
        What rounding leaves of the air temperature, in °C. Colder is not always worse: both rows count across -1.
    night
        None when the position is not known: the worse of both.
    heavy_by_report
        The report itself says +SN.
    """
    if heavy_by_report:
        return Snowfall.HEAVY
    lights = (True, False) if night is None else (night,)
    temps = {temp_low_c, temp_high_c}
    if temp_low_c <= _BOUNDARY_C <= temp_high_c:
        temps.add(_BOUNDARY_C)
    return max(
        chart(visibility_m, temp_c, night=dark)
        for chart in (canadian_chart, american_chart)
        for temp_c in temps
        for dark in lights
    )


def _by_upper_ends(value: float, heavy: float, moderate: float, light: float) -> Snowfall:
    if value <= heavy:
        return Snowfall.HEAVY
    if value <= moderate:
        return Snowfall.MODERATE
    return Snowfall.LIGHT if value <= light else Snowfall.VERY_LIGHT
