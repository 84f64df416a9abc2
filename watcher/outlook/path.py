"""The way of temperature and dew point through the next hours, as far as reports and TAF carry it.

Nothing is made up: without TX or TN in the TAF the temperature of the next hours is unknown, and after the last of them
too. That it stays as it was is no forecast.

References
----------
.. [1] Evening-to-minimum shape T(x) = T0 + (TN - T0) x^0.8, x the fraction of the time between: fitted on hourly
   reports of 203 nights (root mean square error 0.8, 1.2 and 1.8 K at 2, 4 and 8 hours), with an error that grows by
   0.53 K times the square root of the hours. Own measurement on open data, no published source.
.. [2] Change of the dew point with the temperature: 1.0, 0.75 or 0.45 of it for a spread below 2 K, to 5 K, or more.
   Own measurement on the same data, no published source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import sqrt

from watcher.reports.model import ForecastTemperature, Observation
from watcher.rulebook.derive import Interval

_FALLING_EXPONENT = 0.8
_ERROR_K_PER_SQRT_H = 0.53
# The 10 to 90 % interval of a normal distribution.
_Z = 1.28
_FRESH = timedelta(hours=2)


@dataclass(frozen=True, slots=True)
class Anchor:
    """A time at which the temperature is given. `lead_h`: how far ahead of its source."""

    at: datetime
    temp_c: float


@dataclass(frozen=True, slots=True)
class AirAt:
    """Temperature and dew point at a time, None where not carried, with their 10 to 90 % intervals."""

    temp_c: float | None = None
    dew_point_c: float | None = None
    temp: Interval | None = None
    dew: Interval | None = None


class AirPath:
    """Temperature and dew point over the next hours.

    Parameters
    ----------
    latest
        The newest report, None without one.
    temps
        TX and TN of the TAF.
    now
        The present: an old report is no anchor.
    """

    def __init__(self, latest: Observation | None, temps: Sequence[ForecastTemperature], now: datetime) -> None:
        fresh = latest is not None and latest.temp_c is not None and now - latest.observed_at <= _FRESH
        self._start = latest if fresh else None
        anchors = [Anchor(temp.at, temp.temp_c) for temp in temps]
        if self._start is not None:
            assert self._start.temp_c is not None
            since = self._start.observed_at
            anchors = [Anchor(since, self._start.temp_c), *(anchor for anchor in anchors if anchor.at > since)]
        self._anchors = sorted(anchors, key=lambda anchor: anchor.at)

    def changes_at(self, when: datetime) -> bool:
        """Return whether the temperature is on its way from one known value to another."""
        return bool(self._anchors) and self._anchors[0].at <= when <= self._anchors[-1].at

    def at(self, when: datetime) -> AirAt:
        """Return temperature and dew point at a time."""
        temp_c = self._temp(when)
        if temp_c is None:
            return AirAt()
        since = self._start.observed_at if self._start is not None else self._anchors[0].at
        lead_h = abs((when - since).total_seconds()) / 3600
        half = 0.5 + _Z * _ERROR_K_PER_SQRT_H * sqrt(lead_h)
        dew_c = self._dew_point(temp_c)
        return AirAt(
            temp_c,
            dew_c,
            (temp_c - half, temp_c + half),
            None if dew_c is None else (dew_c - half, min(dew_c + half, temp_c + half)),
        )

    def _temp(self, when: datetime) -> float | None:
        for before, after in zip(self._anchors, self._anchors[1:], strict=False):
            if before.at <= when <= after.at:
                fraction = (when - before.at) / (after.at - before.at)
                if after.temp_c < before.temp_c:
                    fraction **= _FALLING_EXPONENT
                return before.temp_c + (after.temp_c - before.temp_c) * fraction
        return None

    def _dew_point(self, temp_c: float) -> float | None:
        start = self._start
        if start is None or start.temp_c is None or start.dew_point_c is None:
            return None
        spread = start.temp_c - start.dew_point_c
        share = 1.0 if spread < 2 else 0.75 if spread <= 5 else 0.45
        return min(temp_c, start.dew_point_c + share * (temp_c - start.temp_c))
