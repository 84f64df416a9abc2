"""Parked aircraft in the settings: read whole, wrong ones refused, the zone that of the station where none is given."""

from __future__ import annotations

from datetime import time

import pytest

from watcher.alerts.parked import Parked
from watcher.errors import SettingsError
from watcher.outlook.night.model import Aircraft
from watcher.reports.station import Station
from watcher.service.directory import read_directory
from watcher.settings import Settings, load_settings

GOOD = """
[watch]
stations = ["XNOR", "XBAY"]
[[parked]]
name = "Ship 4"
station = "XNOR"
departs = "05:40"
zone = "Europe/Oslo"
fuel_c = -6.5
sky = 0.6
emissivity = 0.9
[[parked]]
name = "Ship 7"
station = "XBAY"
departs = "07:10"
"""


def load(folder, text: str = GOOD, environ: dict[str, str] | None = None) -> Settings:
    file = folder / "hoarline.toml"
    file.write_text(text)
    return load_settings(file, environ or {})


def parked_of(settings: Settings, zone: str | None = None) -> tuple[Parked, ...]:
    return read_directory(settings).listeners(lambda code: Station(code, zone=zone)).parked


def test_all_that_is_said_of_an_aircraft_reaches_the_telling(tmp_path):
    first, second = parked_of(load(tmp_path), "America/Halifax")
    known = Aircraft(fuel_c=-6.5, sheltered=0.6, emissivity=0.9)
    assert first == Parked("Ship 4", "XNOR", time(5, 40), "Europe/Oslo", known)
    assert second == Parked("Ship 7", "XBAY", time(7, 10), "America/Halifax", Aircraft())


def test_without_any_zone_the_departure_is_read_as_utc(tmp_path):
    assert [item.zone for item in parked_of(load(tmp_path))] == ["Europe/Oslo", "UTC"]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("Ship 7", "Ship 4", ['parked: "Ship 4" stands twice']),
        (
            'station = "XBAY"',
            'station = "XFEL"',
            ['parked "Ship 7": XFEL is not watched', "add it to [watch] stations"],
        ),
        ('"Europe/Oslo"', '"Europe/Olso"', ["is no time zone"]),
        ('"05:40"', '"0540Z"', ['"0540Z" is no local time such as 05:40']),
        ('"05:40"', '"24:00"', ["is no local time"]),
        ('departs = "07:10"', "", ['parked[2]: "departs" is missing']),
        ("sky = 0.6", "sky = 1.2", ["parked[1].sky", "less than or equal to 1"]),
        ("emissivity = 0.9", "emissivity = 0", ["parked[1].emissivity"]),
        ("fuel_c = -6.5", "fuel_c = -265", ["parked[1].fuel_c"]),
        ("fuel_c", "feul_c", ['"feul_c" is not known', "did you mean fuel_c?"]),
        ("[[parked]]", "[[praked]]", ["did you mean parked?"]),
    ],
)
def test_what_is_wrong_is_said_with_what_is_right(tmp_path, old, new, words):
    assert old in GOOD
    with pytest.raises(SettingsError) as caught:
        load(tmp_path, GOOD.replace(old, new, 1))
    said = "\n".join(map(str, caught.value.problems))
    assert all(word in said for word in words), said


def test_where_every_station_is_watched_any_may_have_parked_aircraft(tmp_path):
    text = GOOD.replace('["XNOR", "XBAY"]', '"all"').replace('station = "XBAY"', 'station = "XFEL"')
    assert len(load(tmp_path, text).text.parked) == 2


def test_the_environment_has_no_lists(tmp_path):
    with pytest.raises(SettingsError, match="no such section"):
        load(tmp_path, environ={"HOARLINE_PARKED__NAME": "Ship 1"})
