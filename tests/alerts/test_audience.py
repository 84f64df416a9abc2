"""The index finds just the subscriptions that asking each one would find, and distances agree with published ones."""

from __future__ import annotations

from dataclasses import replace
from math import pi

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from watcher.alerts.audience import EARTH_RADIUS_KM, Audience, distance_km
from watcher.alerts.subscribers import Circle, Subscription
from watcher.reports.station import Station

# Defining and derived constants of the Geodetic Reference System 1980 (IUGG): H. Moritz, Geodetic Reference System
# 1980, Journal of Geodesy 74 (2000), 128-133. Metres.
SEMI_MAJOR_M, SEMI_MINOR_M, MEAN_RADIUS_M = 6378137.0, 6356752.3141, 6371008.7714
MILLIMETRE_KM = 1e-6
XNOR = Station("XNOR", country="NO", latitude_deg=60.2, longitude_deg=11.1)


def to(name: str, **wants) -> Subscription:
    return Subscription(name, ("duty",), **wants)


def names(audience: Audience, station: Station) -> list[str]:
    return [subscription.name for subscription in audience.at(station)]


def test_a_station_is_wanted_by_code_by_country_by_place_and_by_whoever_wants_every_station():
    audience = Audience(
        [
            to("everywhere"),
            to("code", stations=frozenset({"XNOR", "XBAY"})),
            to("other code", stations=frozenset({"XBAY"})),
            to("country", countries=frozenset({"NO"})),
            to("other country", countries=frozenset({"SE"})),
            to("near", circles=(Circle(60.0, 11.0, 50.0),)),
            to("far", circles=(Circle(61.0, 11.0, 50.0),)),
        ]
    )
    assert names(audience, XNOR) == ["everywhere", "code", "country", "near"]
    assert names(audience, Station("XBAY")) == ["everywhere", "code", "other code"]


def test_each_subscription_comes_once_and_in_the_given_order_however_many_ways_it_wants_a_station():
    many = (Circle(60.0, 11.0, 50.0), Circle(60.5, 11.5, 500.0))
    audience = Audience(
        [
            to("place", circles=many),
            to("all ways", stations=frozenset({"XNOR"}), countries=frozenset({"NO"}), circles=many),
            to("everywhere"),
            to("code", stations=frozenset({"XNOR"})),
        ]
    )
    assert names(audience, XNOR) == ["place", "all ways", "everywhere", "code"]


def test_an_empty_list_of_stations_wants_none():
    assert names(Audience([to("none", stations=frozenset())]), XNOR) == []
    assert Audience([]).at(XNOR) == ()


def test_what_is_not_known_of_a_station_is_in_no_country_and_in_no_circle():
    world = Circle(0.0, 0.0, 21_000.0)
    audience = Audience([to("country", countries=frozenset({"NO"})), to("place", circles=(world,))])
    assert names(audience, XNOR) == ["country", "place"]
    assert names(audience, replace(XNOR, country=None)) == ["place"]
    assert names(audience, replace(XNOR, latitude_deg=None)) == ["country"]
    assert names(audience, replace(XNOR, longitude_deg=None)) == ["country"]


def test_a_station_whose_particulars_change_is_looked_up_again():
    audience = Audience([to("country", countries=frozenset({"NO"})), to("place", circles=(Circle(0.0, 0.0, 10.0),))])
    assert names(audience, XNOR) == ["country"]
    assert audience.at(XNOR) is audience.at(replace(XNOR)), "nothing is looked up twice"
    assert names(audience, replace(XNOR, latitude_deg=0.0, longitude_deg=0.0)) == ["country", "place"]
    assert names(audience, replace(XNOR, country="SE")) == []
    assert names(audience, XNOR) == ["country"]


def test_a_circle_reaches_over_the_pole_and_over_the_date_line():
    audience = Audience(
        [to("pole", circles=(Circle(89.0, 0.0, 300.0),)), to("line", circles=(Circle(0.0, 179.5, 120.0),))]
    )
    at = [Station(f"X{n}", latitude_deg=lat, longitude_deg=lon) for n, (lat, lon) in enumerate([
        (89.0, 180.0), (88.0, 180.0), (90.0, 77.0), (0.0, -179.5), (0.5, -180.0), (0.0, -179.0)])]  # fmt: skip
    assert [names(audience, station) for station in at] == [["pole"], [], ["pole"], ["line"], ["line"], []]


def test_a_circle_without_width_has_its_middle_and_one_around_the_earth_has_everything():
    audience = Audience(
        [to("point", circles=(Circle(60.2, 11.1, 0.0),)), to("all", circles=(Circle(60.2, 11.1, 20_016.0),))]
    )
    assert names(audience, XNOR) == ["point", "all"]
    assert names(audience, replace(XNOR, latitude_deg=60.2001)) == ["all"]
    assert names(audience, replace(XNOR, latitude_deg=-60.2, longitude_deg=-168.9)) == ["all"]


LATITUDE = (
    st.sampled_from([90.0, -90.0, 89.999, 0.0, 60.0, -0.0]) | st.floats(-90, 90) | st.integers(-90, 90).map(float)
)
LONGITUDE = st.sampled_from([180.0, -180.0, 179.999, -179.999, 0.0]) | st.floats(-180, 180)
RADIUS = st.floats(0, 600) | st.floats(0, 20_100)
CODE = st.sampled_from(["XNOR", "XBAY", "XFEL", "XMOR", "XTAR"])
COUNTRY = st.sampled_from(["NO", "SE", "FI"])
CIRCLES = st.lists(st.builds(Circle, LATITUDE, LONGITUDE, RADIUS), max_size=3).map(tuple)
SUBSCRIPTION = st.builds(
    Subscription,
    name=st.text("abc", min_size=1, max_size=2),
    destinations=st.just(("duty",)),
    stations=st.none() | st.frozensets(CODE, max_size=3),
    countries=st.frozensets(COUNTRY, max_size=2),
    circles=CIRCLES,
)
STATION = st.builds(
    Station,
    code=CODE,
    country=st.none() | COUNTRY,
    latitude_deg=st.none() | LATITUDE,
    longitude_deg=st.none() | LONGITUDE,
)


def wants(subscription: Subscription, station: Station) -> bool:
    """Whether a subscription wants a station, asked the plain way."""
    if subscription.stations is None and not subscription.countries and not subscription.circles:
        return True
    if station.code in (subscription.stations or ()) or station.country in subscription.countries:
        return True
    return any(from_edge_km(circle, station) <= 0 for circle in subscription.circles if has_place(station))


def has_place(station: Station) -> bool:
    return station.latitude_deg is not None and station.longitude_deg is not None


def from_edge_km(circle: Circle, station: Station) -> float:
    there = (station.latitude_deg, station.longitude_deg)
    return distance_km(circle.latitude_deg, circle.longitude_deg, *there) - circle.radius_km


@given(st.lists(SUBSCRIPTION, max_size=12), st.lists(STATION, min_size=1, max_size=8))
def test_the_index_finds_what_asking_each_subscription_finds(subscriptions, stations):
    circles = [circle for subscription in subscriptions for circle in subscription.circles]
    placed = [station for station in stations if has_place(station)]
    assume(not any(0 < abs(from_edge_km(circle, station)) < 0.02 for circle in circles for station in placed))
    audience = Audience(subscriptions)
    for station in stations:
        assert audience.at(station) == tuple(s for s in subscriptions if wants(s, station))


@given(LATITUDE, LONGITUDE, LATITUDE, LONGITUDE)
def test_the_edge_of_a_circle_is_right_to_the_millimetre(latitude, longitude, other_latitude, other_longitude):
    radius_km = distance_km(latitude, longitude, other_latitude, other_longitude)
    assume(MILLIMETRE_KM < radius_km < 19_000)
    station = Station("XNOR", latitude_deg=other_latitude, longitude_deg=other_longitude)
    inside = to("in", circles=(Circle(latitude, longitude, radius_km + MILLIMETRE_KM),))
    at = to("at", circles=(Circle(latitude, longitude, radius_km),))
    outside = to("out", circles=(Circle(latitude, longitude, radius_km - MILLIMETRE_KM),))
    assert names(Audience([inside, at, outside]), station) == ["in", "at"]


def test_the_radius_is_the_mean_radius_of_the_reference_system():
    assert pytest.approx(MEAN_RADIUS_M, abs=1e-3) == (2 * SEMI_MAJOR_M + SEMI_MINOR_M) / 3
    assert pytest.approx(MEAN_RADIUS_M / 1000, abs=5e-5) == EARTH_RADIUS_KM


@pytest.mark.parametrize(
    ("places", "angle_rad", "tolerance"),
    [
        # Ed Williams, Aviation Formulary 1.46, worked examples: 33 57 N 118 24 W to 40 38 N 73 47 W, 0.623585 radians.
        ((33 + 57 / 60, -118 - 24 / 60, 40 + 38 / 60, -73 - 47 / 60), 0.623585, 1e-6),
        # Rosetta Code, task "Haversine formula": 2886.44444283798329974715782394574671655 km on a radius of 6371.0 km.
        ((36.12, -86.67, 33.94, -118.40), 2886.444442837983 / 6371.0, 1e-14),
    ],
)
def test_distances_agree_with_worked_examples(places, angle_rad, tolerance):
    assert distance_km(*places) / EARTH_RADIUS_KM == pytest.approx(angle_rad, abs=tolerance)


def test_a_geodesic_on_the_ellipsoid_is_within_six_tenths_of_a_percent():
    """Source: Geocentric Datum of Australia technical manual, Flinders Peak to Buninyong on GRS80: 54 972.271 m."""
    flinders_peak = -(37 + 57 / 60 + 3.7203 / 3600), 144 + 25 / 60 + 29.5244 / 3600
    buninyong = -(37 + 39 / 60 + 10.1561 / 3600), 143 + 55 / 60 + 35.3839 / 3600
    assert distance_km(*flinders_peak, *buninyong) == pytest.approx(54.972271, rel=0.006)
    smallest, largest = SEMI_MINOR_M**2 / SEMI_MAJOR_M, SEMI_MAJOR_M**2 / SEMI_MINOR_M
    assert abs(smallest / MEAN_RADIUS_M - 1) < 0.006
    assert abs(largest / MEAN_RADIUS_M - 1) < 0.006


def test_a_minute_of_arc_is_a_nautical_mile():
    """Source: the nautical mile, 1852 m (ICAO Annex 5), stands for a minute of arc; here it is right to 0.1 %."""
    for places in (
        (60.0, 11.0, 60.0 + 1 / 60, 11.0),
        (0.0, 179.99, 0.0, -180 + 1 / 60 - 0.01),
        (-90.0, 5.0, -90 + 1 / 60, 9),
    ):
        assert distance_km(*places) == pytest.approx(1.852, rel=0.001)
        assert distance_km(*places) == pytest.approx(pi / 10_800 * EARTH_RADIUS_KM, abs=1e-10)


def test_poles_date_line_antipodes_and_equal_places_have_their_exact_distances():
    half = pi * EARTH_RADIUS_KM
    assert distance_km(60.2, 11.1, 60.2, 11.1) == 0
    assert distance_km(90, 0, 90, 137) == pytest.approx(0, abs=1e-9)
    assert distance_km(0, 180, 0, -180) == pytest.approx(0, abs=1e-9)
    assert distance_km(90, 20, -90, 70) == pytest.approx(half, abs=1e-9)
    assert distance_km(60.2, 11.1, -60.2, -168.9) == pytest.approx(half, abs=1e-9)
    assert distance_km(0, 0, 90, 77) == pytest.approx(half / 2, abs=1e-9)
    assert distance_km(89.9, 0, 89.9, 180) == pytest.approx(half * 0.2 / 180, abs=1e-9)
    assert distance_km(60, 11, 60 + 1e-8, 11) == pytest.approx(half * 1e-8 / 180, rel=1e-5)
    assert distance_km(0, 0, 0, 180 - 1e-8) == pytest.approx(half * (1 - 1e-8 / 180), abs=1e-9)


@given(LATITUDE, LONGITUDE, LATITUDE, LONGITUDE, LATITUDE, LONGITUDE)
def test_distances_are_those_of_a_sphere(lat_1, lon_1, lat_2, lon_2, lat_3, lon_3):
    there = distance_km(lat_1, lon_1, lat_2, lon_2)
    assert there == distance_km(lat_2, lon_2, lat_1, lon_1)
    assert there <= distance_km(lat_1, lon_1, lat_3, lon_3) + distance_km(lat_3, lon_3, lat_2, lon_2) + 1e-9
    assert there + distance_km(lat_2, lon_2, -lat_1, lon_1 + 180) == pytest.approx(pi * EARTH_RADIUS_KM, abs=1e-8)
    assert there == pytest.approx(distance_km(lat_1, lon_1 + 360, lat_2, lon_2), abs=1e-9)
    assert abs(lat_1 - lat_2) * pi / 180 * EARTH_RADIUS_KM <= there + 1e-9
