"""The station table against the aviation centre's own positions (2014 cache, public domain)."""

from __future__ import annotations

from tests.reports.open_data import cache_columns
from watcher.reports.station import Station
from watcher.stations import StationTable, missing


def test_positions_and_elevations_agree_with_the_aviation_centre():
    table = StationTable.load()
    near = far = elevations = elevations_near = 0
    for row in cache_columns():
        station = table.get(row["station_id"])
        if station.latitude_deg is None or not row["latitude"]:
            continue
        apart = max(
            abs(station.latitude_deg - float(row["latitude"])), abs(station.longitude_deg - float(row["longitude"]))
        )
        near, far = near + (apart <= 0.1), far + (apart > 0.1)
        if station.elevation_m is not None and row["elevation_m"]:
            elevations += 1
            elevations_near += abs(station.elevation_m - float(row["elevation_m"])) <= 60
    assert near > 3500
    assert near / (near + far) > 0.96
    assert elevations_near / elevations > 0.95


def test_an_elevation_of_zero_is_taken_for_unknown():
    assert StationTable.load().get("AAXX").elevation_m is None


def test_an_unknown_station_works_and_says_what_is_missing():
    station = StationTable.load().get("XNOR")
    assert station == Station("XNOR")
    assert len(missing(station)) == 3


def test_an_override_replaces_only_what_it_gives():
    table = StationTable.load(
        [Station("ENBO", name="Fjord field"), Station("XNOR", latitude_deg=60.0, longitude_deg=11.0)]
    )
    assert (table.get("ENBO").name, table.get("ENBO").zone) == ("Fjord field", "Europe/Oslo")
    assert table.get("XNOR").latitude_deg == 60.0


def test_the_demo_codes_belong_to_nobody():
    table = StationTable.load()
    for code in ("XNOR", "XBAY", "XFEL", "XMOR", "XTAR"):
        assert table.get(code) == Station(code)
