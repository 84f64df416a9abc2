"""Which subscriptions want a station: by its code, its country or its place, or because they want every station."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from math import atan2, cos, degrees, dist, floor, pi, radians, sin

from watcher.alerts.subscribers import Circle, Subscription
from watcher.reports.station import Station

# IUGG mean radius R1 = (2a + b) / 3 of the Geodetic Reference System 1980: 6 371 008.7714 m.
# H. Moritz, Geodetic Reference System 1980, Journal of Geodesy 74 (2000), 128-133.
EARTH_RADIUS_KM = 6371.0088
# Of a chord or an angle on the unit sphere; 6 micrometres on the ground.
_ROUNDING = 1e-12

Vector = tuple[float, float, float]


class Audience:
    """Subscriptions arranged so that those which want a station are found without asking each."""

    def __init__(self, subscriptions: Sequence[Subscription]) -> None:
        self._subscriptions = tuple(subscriptions)
        self._everywhere: list[int] = []
        self._by_code: dict[str, list[int]] = defaultdict(list)
        self._by_country: dict[str, list[int]] = defaultdict(list)
        self._by_band: dict[int, list[_Ring]] = defaultdict(list)
        self._known: dict[str, tuple[Station, tuple[Subscription, ...]]] = {}
        for index, subscription in enumerate(self._subscriptions):
            self._enter(index, subscription)

    def at(self, station: Station) -> tuple[Subscription, ...]:
        """Return the subscriptions that want a station, each once, in the given order.

        A station without country is in no country, one without position in no circle. The answer is kept until the
        same code comes with other particulars.
        """
        known = self._known.get(station.code)
        if known is None or (known[0] is not station and known[0] != station):
            known = (station, tuple(self._subscriptions[index] for index in sorted(self._wanting(station))))
            self._known[station.code] = known
        return known[1]

    def _enter(self, index: int, subscription: Subscription) -> None:
        if subscription.stations is None and not subscription.countries and not subscription.circles:
            self._everywhere.append(index)
            return
        for code in subscription.stations or ():
            self._by_code[code].append(index)
        for country in subscription.countries:
            self._by_country[country].append(index)
        for circle in subscription.circles:
            ring = _ring(index, circle)
            for band in _bands(circle):
                self._by_band[band].append(ring)

    def _wanting(self, station: Station) -> set[int]:
        found = {*self._everywhere, *self._by_code.get(station.code, ())}
        if station.country is not None:
            found.update(self._by_country.get(station.country, ()))
        if station.latitude_deg is not None and station.longitude_deg is not None:
            here = _unit_vector(station.latitude_deg, station.longitude_deg)
            found.update(_around(here, self._by_band.get(floor(station.latitude_deg), ())))
        return found


def distance_km(latitude_1: float, longitude_1: float, latitude_2: float, longitude_2: float) -> float:
    """Return the great-circle distance between two places in kilometres, on a sphere of the mean radius.

    Parameters
    ----------
    latitude_1, longitude_1, latitude_2, longitude_2
        Degrees, north and east positive. Longitudes may run past 180.

    Notes
    -----
    The angle is taken from the difference and the sum of the unit vectors, which keeps its digits for places that are
    equal, close together or opposite. The sphere is within 0.6 % of the ellipsoid, whose radii of curvature run from
    6335 to 6400 km (a(1 - e2) and a2/b of the same system).
    """
    here, there = _unit_vector(latitude_1, longitude_1), _unit_vector(latitude_2, longitude_2)
    opposite = (-there[0], -there[1], -there[2])
    return 2 * EARTH_RADIUS_KM * atan2(dist(here, there), dist(here, opposite))


# A circle of a subscription: whose it is, its middle, the longest chord from there that is inside.
_Ring = tuple[int, Vector, float]


def _ring(index: int, circle: Circle) -> _Ring:
    half_angle = min(circle.radius_km / EARTH_RADIUS_KM, pi) / 2
    return index, _unit_vector(circle.latitude_deg, circle.longitude_deg), 2 * sin(half_angle) + _ROUNDING


def _around(here: Vector, rings: Sequence[_Ring]) -> list[int]:
    return [index for index, middle, chord in rings if dist(here, middle) <= chord]


def _bands(circle: Circle) -> range:
    """Return the whole degrees of latitude that a circle reaches into; past a pole it comes no lower again."""
    reach = degrees(circle.radius_km / EARTH_RADIUS_KM + _ROUNDING)
    lowest = max(floor(circle.latitude_deg - reach), -90)
    highest = min(floor(circle.latitude_deg + reach), 90)
    return range(lowest, highest + 1)


def _unit_vector(latitude_deg: float, longitude_deg: float) -> Vector:
    latitude, longitude = radians(latitude_deg), radians(longitude_deg)
    return cos(latitude) * cos(longitude), cos(latitude) * sin(longitude), sin(latitude)
