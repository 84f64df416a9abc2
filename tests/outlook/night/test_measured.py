"""The figures that the night must reach on measurements; sources and licences in tests/data/radiation/SOURCES.md."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.checks import night_temperature, substitution
from tests.checks.table import Position, Table

REPOSITORY = Path(__file__).parents[3]
DATA = REPOSITORY / "tests" / "data" / "radiation"
NEWARK, NEWARK_AT = DATA / "kewr_hourly_2013.csv.gz", Position(40.69, -74.17, 3.0)


def test_the_nights_temperature_from_the_evening_report_and_a_lowest_temperature():
    found = night_temperature.check(Table(NEWARK), NEWARK_AT)
    assert found["nights"] == pytest.approx(203, abs=10)
    for hour, reach in {"2": 0.95, "4": 1.4, "8": 2.0}.items():
        assert found["rmse_k"][hour] <= reach
        assert found["rmse_k"][hour] < 0.7 * found["persistence_k"][hour]


def test_the_check_prints_one_json_object_with_the_agreed_keys():
    command = [sys.executable, "-m", "tests.checks.night_temperature", str(NEWARK), "--position", "40.69,-74.17,3"]
    done = subprocess.run(command, cwd=REPOSITORY, capture_output=True, text=True, check=True, timeout=60)
    assert set(json.loads(done.stdout)) == {"nights", "rmse_k", "persistence_k"}


@pytest.mark.slow
def test_frost_from_coarse_reports_against_full_measurements():
    found = substitution.check(Table(DATA / "dtu_lyngby_10min_2024-10_2025-01.csv.gz"), Position(55.79, 12.53, 50.0))
    assert set(found) == {"rows", "skill_vs_rule", "skill_vs_calibrated_rule", "onset_mae_h", "end_mae_h"}
    assert found["rows"] > 3500
    assert found["skill_vs_rule"] >= 0.70
    assert found["skill_vs_calibrated_rule"] >= 0.40
    assert found["onset_mae_h"] < 3
    assert found["end_mae_h"] < 4
