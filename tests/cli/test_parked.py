"""`hoarline check` and `config show` on parked aircraft."""

from __future__ import annotations

import json

import pytest

from tests.cli.spoken import hoarline

TEXT = """
[watch]
stations = ["XNOR", "XBAY"]
[[station]]
code = "XNOR"
position = "60.20,11.10,210"
zone = "Europe/Oslo"
[[parked]]
name = "Ship 4"
station = "XNOR"
departs = "06:40"
[[parked]]
name = "Ship 7"
station = "XBAY"
departs = "07:10"
"""


@pytest.fixture
def config(tmp_path):
    file = tmp_path / "hoarline.toml"
    file.write_text(f'[store]\nurl = "sqlite:///{tmp_path / "hoarline.db"}"\n{TEXT}')
    return str(file)


def test_check_says_whose_departure_is_read_as_utc_and_for_whom_nothing_can_be_computed(config):
    said = hoarline("check", "--config", config, "--json")
    notes = [note for note in json.loads(said.out)["notes"] if note.startswith("parked")]
    assert (said.code, notes) == (
        0,
        [
            'parked "Ship 7": departs 07:10 is read as UTC, since the zone of XBAY is not known; write zone',
            'parked "Ship 7": no chance of frost without the position of XBAY; add [[station]]',
        ],
    )


def test_the_settings_in_force_name_each_aircraft_and_where_its_values_came_from(config):
    lines = hoarline("config", "show", "--config", config).lines
    assert f"parked[1].departs = 07:10    # {config}" in lines
    assert "parked[1].sky = 1.0    # default" in lines
