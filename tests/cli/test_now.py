"""`hoarline now` shows the wing's skin beside the air, and says why they differ."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.cli.evening import NOW, keep_evening
from tests.cli.spoken import hoarline

HERE = ("--position", "60.20,11.10,210")
CLEAR = "METAR XNOR 122000Z 00000KT CAVOK 01/M05 Q1021"
MODEL = {"skin_temp_c", "p_active_frost", "p_deposit", "p_frozen_residual"}


@pytest.fixture(autouse=True)
def _a_folder_without_settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def told(report: str, *words: str, place=HERE) -> list[str]:
    said = hoarline("now", "--report", report, *place, *words)
    assert said.code == 0, said.err
    return said.lines


def facts(report: str, *words: str, place=HERE) -> dict:
    return json.loads(told(report, "--json", *words, place=place)[0])["facts"]


def line(lines: list[str], beginning: str) -> str:
    return next(text for text in lines if text.startswith(beginning))


def test_skin_and_frost_point_stand_beside_air_and_dew_point():
    shown = line(told(CLEAR), "  air ")
    assert re.fullmatch(
        r"  air 1 °C, dew point -5 °C, frost point -4\.4 °C, wing skin -\d\.?\d? °C \(-\d\.?\d? to -?\d\.?\d?\)", shown
    )


def test_a_clear_calm_night_is_the_reason_and_ice_saturates_before_water():
    reason = line(told(CLEAR), "  The skin ")
    assert re.search(r"is \d\.\d K colder than the air: it loses heat to a clear sky in light wind", reason)
    assert (
        "the frost point is 0.6 K above the dew point, for air is saturated over ice before it is over water" in reason
    )


def test_cloud_and_wind_keep_the_skin_at_the_airs_temperature():
    reason = line(told("METAR XNOR 122000Z 24018KT 9999 OVC012 M02/M05 Q1011"), "  The skin ")
    assert "about as warm as the air" in reason


def test_above_freezing_point_frost_point_and_dew_point_are_the_same_and_nothing_is_said_of_them():
    reason = line(told("METAR XNOR 122000Z 00000KT CAVOK 09/04 Q1011"), "  The skin ")
    assert "frost point" not in reason


def test_json_has_the_values_of_the_frost_model():
    seen = facts(CLEAR)
    assert seen.keys() >= MODEL
    assert seen["skin_temp_c"] < seen["temp_c"] - 2
    assert all(0 <= seen[name] <= 1 for name in MODEL - {"skin_temp_c"})


def test_what_is_computed_is_told_with_its_chance_and_as_not_measured():
    lines = told("METAR XNOR 122000Z 00000KT CAVOK 01/M01 Q1021")
    assert "computed and not measured" in line(lines, "  on the wing now")
    ahead = [text for text in lines if "frost-likely expected" in text]
    assert ahead
    assert all(re.search(r"expected \d{4}Z-\d{4}Z, >?\d+ %: Computed from", text) for text in ahead)
    seen = json.loads(told("METAR XNOR 122000Z 00000KT CAVOK 01/M01 Q1021", "--json")[0])
    chances = [item["probability"] for item in seen["findings"] if item.get("certainty") == "computed"]
    assert chances
    assert all(0.3 <= chance <= 1 for chance in chances)


@pytest.mark.parametrize(
    ("report", "place"),
    [
        ("METAR XNOR 122000Z 00000KT CAVOK 13/02 Q1021", HERE),
        (CLEAR, ()),
        ("METAR XNOR 122000Z 00000KT CAVOK ///// Q1021", HERE),
    ],
)
def test_without_cold_place_or_temperature_there_is_no_skin(report, place):
    assert not facts(report, place=place).keys() & MODEL
    assert not any("wing skin" in text or "on the wing now" in text for text in told(report, place=place))


def test_from_the_store_each_station_in_the_order_asked(tmp_path, monkeypatch):
    keep_evening(tmp_path)
    monkeypatch.setattr("watcher.clock.utc_now", lambda: NOW)
    said = hoarline("now", "XBAY", "xnor")
    assert said.code == 0, said.err
    assert [text[2:6] for text in said.lines if text[:1] != " "] == ["XBAY", "XNOR"]
    seen = [json.loads(text) for text in hoarline("now", "XBAY", "xnor", "--json").lines]
    assert [item["station"] for item in seen] == ["XBAY", "XNOR"]
    assert seen[1]["facts"]["skin_temp_c"] < seen[1]["facts"]["temp_c"] - 2
    assert abs(seen[0]["facts"]["skin_temp_c"] - seen[0]["facts"]["temp_c"]) < 1.5
    assert hoarline("now", "XTAR").lines[1] == "  no report is known"


def test_in_summer_numpy_is_not_loaded():
    code = (
        "import sys; from watcher.cli.app import main\n"
        "try: main()\n"
        "except SystemExit as stopped: assert not stopped.code\n"
        "print('numpy' in sys.modules)"
    )

    def loaded(temp: str) -> str:
        report = f"METAR XNOR 122000Z 00000KT CAVOK {temp} Q1021"
        done = subprocess.run(
            [sys.executable, "-c", code, "now", "--report", report, *HERE],
            check=True, capture_output=True, text=True, timeout=60,
        )  # fmt: skip
        return done.stdout.splitlines()[-1]

    assert loaded("22/08") == "False"
    assert loaded("02/M01") == "True", "the check can fail"


def test_a_terminal_without_a_degree_sign_still_shows_it_all():
    plain = hoarline("now", "--report", CLEAR, *HERE, encoding="ascii")
    assert plain.code == 0
    assert line(plain.lines, "  air 1 C, dew point -5 C")
    assert len(plain.lines) == len(told(CLEAR))
