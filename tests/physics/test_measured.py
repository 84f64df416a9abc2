"""The figures that the physics must reach on measurements; sources and licences in tests/data/radiation/SOURCES.md."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.checks import frost_days, ground, longwave, panel
from tests.checks.table import Position, Table

REPOSITORY = Path(__file__).parents[2]
DATA = REPOSITORY / "tests" / "data" / "radiation"
LYNGBY = DATA / "dtu_lyngby_10min_2024-10_2025-01.csv.gz"


@pytest.mark.parametrize("position", [None, Position(55.79, 12.53, 50.0)], ids=["sun of the file", "sun of the place"])
def test_longwave_of_clear_nights_and_of_okta_by_day(position):
    found = longwave.check(Table(LYNGBY), position)
    assert found["rows"] == pytest.approx(816, abs=10)
    assert found["clear_rmse"] <= 9
    assert abs(found["clear_bias"]) <= 3
    assert found["okta_rmse"] <= 27
    assert abs(found["okta_bias"]) <= 10


def test_a_thin_panel_through_two_nights():
    """Air less 2 K, the best simple guess one could defend beforehand, is off by 1.44 K."""
    found = panel.check(Table(DATA / "panel_nrel_golden_15min.csv"))
    assert found["rows"] == 128
    assert found["rmse_k"] <= 0.85
    assert abs(found["bias_k"]) <= 0.4
    assert found["rmse_rounded_k"] <= 0.95


def test_ground_through_four_nights():
    found = ground.check(Table(DATA / "surfrad_winter_10min.csv"), None)
    assert found["rows"] == 299
    assert found["rmse_k"] <= 1.2 < found["air_rmse_k"]


def test_frost_on_the_days_of_a_climate_network():
    found = frost_days.check(Table(DATA / "uscrn_daily_2020.csv.gz"))
    assert found["rows"] == 11116
    assert found["brier_model"] <= 0.155
    assert found["skill_vs_rule"] >= 0.36
    assert found["brier_model"] < found["brier_rule_calibrated"] < found["brier_climatology"]
    for said, seen, days in found["reliability"]:
        if days > 500:
            assert said == pytest.approx(seen, abs=0.08)


def test_a_check_prints_one_json_object():
    command = [sys.executable, "-m", "tests.checks.ground", str(DATA / "surfrad_winter_10min.csv")]
    done = subprocess.run(command, cwd=REPOSITORY, capture_output=True, text=True, check=True, timeout=60)
    assert set(json.loads(done.stdout)) == {"rows", "rmse_k", "air_rmse_k"}


def test_a_check_says_which_column_is_missing():
    with pytest.raises(SystemExit, match="no column time_mst; it has time_utc, file, station"):
        panel.check(Table(DATA / "surfrad_winter_10min.csv"))
