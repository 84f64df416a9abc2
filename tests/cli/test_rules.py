"""`hoarline rules` shows what a rule asks, runs examples, and says what rules make of a report."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from watcher.cli.rules import app
from watcher.errors import RulesError, UsageError
from watcher.rulebook.words import Flag

RUNNER = CliRunner()
DRIZZLE = "METAR XNOR 120550Z 00000KT 3000 FZDZ BR OVC006 M02/M03 Q1010"
MINE = """
[[rule]]
name = "cold"
flag = "deicing-likely"
level = "prepare"
text = "Cold"
source = "common practice, no source"
when = { field = "temp_c", op = "<=", value = 0.0 }
[[rule.example]]
report = "METAR XNOR 120550Z 00000KT CAVOK M04/M09 Q1021"
expect = true
"""


def said(*arguments: str) -> str:
    result = RUNNER.invoke(app, arguments, catch_exceptions=False)
    assert result.exit_code == 0
    return result.stdout


@pytest.fixture
def mine(tmp_path: Path) -> Path:
    path = tmp_path / "mine.toml"
    path.write_text(MINE)
    return path


def test_the_list_has_every_flag():
    assert {rule["flag"] for rule in json.loads(said("list", "--json"))} == {flag.value for flag in Flag}
    assert all(flag.value in said("list") for flag in Flag)


def test_show_says_what_a_rule_asks_and_where_it_comes_from():
    told = said("show", "heavy-snow")
    assert "snowfall by visibility, temperature and daylight is heavy" in told
    assert "no-time (special)" in told
    assert "source: Transport Canada" in told
    assert json.loads(said("show", "cold-and-moist", "--json"))["asks"][0] == "all of"


def test_an_unknown_rule_is_answered_with_the_nearest_name():
    with pytest.raises(UsageError, match="did you mean heavy-snow"):
        RUNNER.invoke(app, ["show", "hevy-snow"], catch_exceptions=False)


def test_files_can_be_tested_alone_and_a_folder_over_the_shipped_rules(mine):
    assert json.loads(said("test", str(mine), "--json"))["rules"] == 1
    assert json.loads(said("test", "--rules", str(mine.parent), "--json"))["rules"] > 20
    assert "cold" in [rule["name"] for rule in json.loads(said("list", "--rules", str(mine.parent), "--json"))]


def test_an_example_that_does_not_hold_is_an_error_with_the_reason(mine):
    mine.write_text(MINE.replace("M04/M09", "04/M09"))
    with pytest.raises(RulesError, match=r"example 1: expects true, but the rule says false; Temperature 4 °C"):
        RUNNER.invoke(app, ["test", str(mine)], catch_exceptions=False)
    with pytest.raises(RulesError, match="cannot be read"):
        RUNNER.invoke(app, ["test", str(mine.parent / "none.toml")], catch_exceptions=False)


def test_one_rule_is_explained_leaf_by_leaf_in_words_and_json():
    told = said("explain", "cold-and-moist", "--report", DRIZZLE)
    assert told.startswith("cold-and-moist: true. Temperature -2 °C (limit 3 °C, 5.0 below)")
    assert "spread_c <= 3.0: true (1.0 K)" in told
    finding = json.loads(said("explain", "cold-and-moist", "--report", DRIZZLE, "--json"))
    assert (finding["verdict"], len(finding["because"])) == ("true", 3)
    assert "from release" in said("explain", "cold-and-moist", "--report", DRIZZLE, "--held")


def test_without_a_report_a_rule_says_what_it_wants_to_know():
    assert said("explain", "cold-and-moist").startswith("cold-and-moist: unknown. Not known: temperature and spread.")


def test_a_report_is_judged_by_all_rules():
    told = said("explain", DRIZZLE)
    assert "freezing-rain-or-drizzle: true. FZDZ is reported." in told
    assert "hail" not in told
    night = json.loads(said("explain", DRIZZLE, "--position", "60.20,11.10,210", "--json"))
    assert all(finding["verdict"] != "false" for finding in night)


def test_the_schema_is_json_with_or_without_the_option():
    assert json.loads(said("schema")) == json.loads(said("schema", "--json"))
