"""`hoarline holdover` answers a look-up by hand, of a report, or of a station; `rules tables` lists, checks, installs."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import time_machine
from typer.testing import CliRunner

from tests.cli.evening import NOW as EVENING
from tests.cli.evening import keep_evening
from tests.treatment.at_hand import HEAD, SNOW, TYPE_4
from watcher.cli.app import app
from watcher.errors import RulesError, UsageError
from watcher.service.rules_folder import rules_dir

RUNNER = CliRunner()
NOW = datetime(2026, 1, 12, 6, 0, tzinfo=UTC)
SNOW_BY_HAND = (
    "--fluid",
    "Type IV",
    "--mix",
    "100/0",
    "--temp",
    "-2",
    "--weather",
    "-SN",
    "--visibility",
    "2500",
    "--night",
)
DRIZZLE = "METAR XNOR 120550Z 00000KT 3000 FZDZ BR OVC006 M02/M03 Q1010"
CAUTION = "Planning aid."


def run(*arguments: str):
    return RUNNER.invoke(app, ["holdover", *arguments], catch_exceptions=False)


def answer(*arguments: str) -> dict[str, object]:
    result = run(*arguments, "--json")
    assert result.exit_code == 0
    return json.loads(result.stdout)


def tables(*arguments: str):
    return RUNNER.invoke(app, ["rules", "tables", *arguments], catch_exceptions=False)


@pytest.fixture(autouse=True)
def _in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.chdir(tmp_path)
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def own(tmp_path: Path) -> Path:
    folder = tmp_path / "incoming"
    folder.mkdir()
    (folder / "head.toml").write_text(HEAD)
    (folder / "type-4.csv").write_text(TYPE_4)
    (folder / "snow.csv").write_text(SNOW)
    return folder


@pytest.fixture
def rules(tmp_path: Path) -> Path:
    folder = tmp_path / "my-rules"
    folder.mkdir()
    return folder


def test_without_a_table_in_force_the_column_is_told_and_no_minutes():
    found = answer(*SNOW_BY_HAND)
    assert (found["outcome"], found["column"]) == ("out-of-season", "snow")
    assert (found["lower_min"], found["upper_min"], found["current"]) == (None, None, False)
    told = run(*SNOW_BY_HAND).stdout
    assert told.splitlines()[0] == "No minutes: the tables are out of season, snow  (Type IV 100/0)"
    assert "NOT in force" in told
    assert CAUTION in told


def test_for_training_the_old_minutes_are_told_as_such():
    found = answer(*SNOW_BY_HAND, "--training")
    assert (found["lower_min"], found["upper_min"], found["training"]) == (30, 55, True)
    assert (found["season"], found["authority"], found["basis"]) == ("2003-04", "Transport Canada", "seen")
    told = run(*SNOW_BY_HAND, "--training").stdout
    assert told.startswith("TRAINING  30-55 min holdover time, snow  (Type IV 100/0)")
    assert "Transport Canada, season 2003-04" in told
    assert "The charts differ" in told
    assert max(map(len, told.splitlines())) <= 100


def test_weather_without_a_time_is_an_answer_with_null_times():
    found = answer("--fluid", "1", "--temp", "M10", "--weather", "+FZRA", "--visibility", "1 1/2SM")
    assert (found["no_time"], found["lower_min"], found["upper_min"]) == ("none", None, None)
    assert run("--fluid", "I", "--temp", "-10", "--weather", "FZRA").stdout.startswith("No holdover time exists")


def test_a_report_given_by_hand_is_looked_up_with_its_own_rounding_and_light():
    found = answer("--fluid", "iv", "--mix", "100", "--training", "--report", DRIZZLE, "--position", "60.20,11.10,210")
    assert (found["column"], found["lower_min"], found["raw"]) == ("freezing_drizzle", 40, DRIZZLE)
    assert found["observed_at"] == "2026-01-12T05:50:00Z"
    automatic = answer(
        "--fluid", "IV", "--mix", "100", "--training", "--report", DRIZZLE.replace("120550Z", "120550Z AUTO")
    )
    assert automatic["column"] == "light_freezing_rain"
    assert "report 0550Z" in run("--fluid", "IV", "--mix", "100", "--report", DRIZZLE).stdout


def test_what_a_station_cannot_see_gives_no_number():
    blind = "METAR XNOR 120550Z AUTO 00000KT 3000 // OVC006 M02/M03 Q1010"
    found = answer("--fluid", "IV", "--mix", "100", "--training", "--report", blind)
    assert (found["outcome"], found["lower_min"]) == ("unknown", None)


def test_a_station_is_looked_up_by_its_latest_report_while_that_is_fresh(tmp_path):
    keep_evening(tmp_path)
    with time_machine.travel(EVENING, tick=False):
        found = answer("XNOR", "--fluid", "I", "--frost", "--training")
        assert str(found["raw"]).startswith("METAR XNOR 122000Z")
        assert (found["report_age_min"], found["column"], found["lower_min"]) == (5.0, "active_frost", 35)
        assert answer("XBAY", "--fluid", "I", "--training")["outcome"] == "not-needed"
        with pytest.raises(UsageError, match="has no report"):
            run("XFEL", "--fluid", "I")
    with time_machine.travel(EVENING + timedelta(hours=2), tick=False):
        assert answer("XNOR", "--fluid", "I", "--frost", "--training")["outcome"] == "unknown"
        assert "what falls now is not known" in run("XNOR", "--fluid", "I", "--frost", "--training").stdout


def test_the_units_and_forms_that_people_write_are_read():
    for text in ("2500", "1 1/2SM", "P6SM", "M1/4SM", "9999", "12000", "800", "CAVOK"):
        assert (
            run("--fluid", "IV", "--mix", "75/25", "--temp", "0", "--weather", "-SN", "--visibility", text).exit_code
            == 0
        )
    whole = answer("--fluid", "IV", "--mix", "50/50", "--temp", "-3", "--weather", "FZFG", "--training")
    tenth = answer("--fluid", "IV", "--mix", "50/50", "--temp", "-2.9", "--weather", "FZFG", "--training")
    assert (whole["outcome"], tenth["outcome"]) == ("none", "time")
    assert answer("--fluid", "IV", "--mix", "100", "--temp", "M00", "--weather", "none")["outcome"] == "not-needed"


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--fluid", "Type V", "--temp", "-2", "--weather", "SN"), "allowed: Type I, Type II, Type III, Type IV"),
        (("--temp", "-2", "--weather", "SN"), "--fluid: is missing"),
        (("--fluid", "IV", "--mix", "60/60", "--temp", "-2"), "parts of fluid and water"),
        (("--fluid", "IV", "--temp", "cold"), "is no air temperature"),
        (("--fluid", "IV", "--temp", "-200"), "is no air temperature"),
        (("--fluid", "IV", "--temp", "-2", "--weather", "SNOW"), "is no weather group"),
        (("--fluid", "IV", "--temp", "-2", "--visibility", "far"), "metres such as 2500"),
        (("--fluid", "IV", "--temp", "-2", "--surface", "wood"), "aluminium"),
        (("--fluid", "IV", "--temp", "-2", "--authority", "Nobody"), "has no tables here"),
        (("--fluid", "IV"), "has nothing to look up"),
        (("--fluid", "IV", "--temp", "-2", "--report", DRIZZLE), "in two ways"),
        (("--fluid", "IV", "--report", "TAF XNOR 120500Z 1206/1212 00000KT CAVOK"), "--report"),
    ],
)  # fmt: skip
def test_wrong_use_is_refused_with_what_is_allowed(arguments, told):
    with pytest.raises(UsageError) as caught:
        run(*arguments)
    assert told in str(caught.value)


def test_a_set_of_ones_own_is_checked_installed_and_in_force(own, rules):
    checked = tables("check", str(own))
    assert checked.exit_code == 0
    assert "in force until 2026-05-31" in checked.stdout
    assert "only you can tell" in checked.stdout
    assert tables("install", str(own / "head.toml"), "--rules", str(rules)).exit_code == 0
    assert sorted(path.name for path in (rules / "holdover" / "own-2025-26").iterdir()) == [
        "head.toml", "snow.csv", "type-4.csv",
    ]  # fmt: skip
    found = answer(*SNOW_BY_HAND, "--rules", str(rules))
    assert (found["lower_min"], found["upper_min"], found["current"], found["training"]) == (30, 50, True, False)
    listed = {
        each["name"]: each["in_force"] for each in json.loads(tables("list", "--rules", str(rules), "--json").stdout)
    }
    assert listed.pop("own-2025-26") is True
    assert listed
    assert not any(listed.values())


def test_installed_again_a_set_replaces_itself_whole(own, rules):
    assert tables("install", str(own), "--rules", str(rules)).exit_code == 0
    (own / "type-4.csv").write_text(TYPE_4.replace("30-50", "25-50"))
    assert tables("install", str(own), "--rules", str(rules), "--json").exit_code == 0
    assert answer(*SNOW_BY_HAND, "--rules", str(rules))["lower_min"] == 25
    assert [path.name for path in (rules / "holdover").iterdir()] == ["own-2025-26"]


def test_a_set_that_cannot_be_right_is_neither_installed_nor_used(own, rules):
    (own / "type-4.csv").write_text(TYPE_4.replace("50-80,30-50", "30-50,50-80"))
    for command in ("check", "install"):
        with pytest.raises(RulesError, match="moderate snow has more time than light snow"):
            tables(command, str(own), *(("--rules", str(rules)) if command == "install" else ()))
    assert not (rules / "holdover").exists()
    (rules / "holdover").mkdir()
    own.rename(rules / "holdover" / "own-2025-26")
    with pytest.raises(RulesError, match="more precipitation never gives more time"):
        run(*SNOW_BY_HAND, "--rules", str(rules))


def test_out_of_its_validity_a_set_is_listed_as_such_and_gives_no_minutes(own, rules):
    tables("install", str(own), "--rules", str(rules))
    with time_machine.travel(datetime(2026, 6, 1, 6, tzinfo=UTC), tick=False):
        assert "out of season since 2026-05-31" in tables("list", "--rules", str(rules)).stdout
        assert answer(*SNOW_BY_HAND, "--rules", str(rules))["lower_min"] is None
    with time_machine.travel(datetime(2025, 9, 1, 6, tzinfo=UTC), tick=False):
        assert "not in force before 2025-10-01" in tables("list", "--rules", str(rules)).stdout


def test_without_a_folder_for_it_nothing_is_installed(own):
    with pytest.raises(UsageError, match=r"\[rules\] folder"):
        tables("install", str(own))


def test_the_folder_of_the_settings_is_used(own, rules, tmp_path):
    (tmp_path / "hoarline.toml").write_text('[rules]\nfolder = "my-rules"\n')
    assert tables("install", str(own)).exit_code == 0
    assert answer(*SNOW_BY_HAND)["lower_min"] == 30


def test_what_is_odd_is_told_and_does_not_hinder(own):
    (own / "type-4.csv").write_text(TYPE_4.replace("1:00-2:00", "4:00-5:00"))
    result = tables("check", str(own))
    assert result.exit_code == 0
    assert "odd: " in result.stdout
    assert json.loads(tables("check", str(own), "--json").stdout)["odd"]


def test_a_set_without_its_files_is_refused(own):
    (own / "snow.csv").unlink()
    with pytest.raises(RulesError, match=r'the file "snow.csv" is missing'):
        tables("check", str(own))
    with pytest.raises(RulesError, match="cannot be read"):
        tables("check", str(own / "none"))


def test_the_list_says_that_none_is_in_force():
    told = tables("list").stdout
    assert "for training only, not in force" in told
    assert "No set is in force" in told


def test_the_example_of_the_documentation_can_be_used(tmp_path):
    """The set shown in rules/README.md is read, found right, and looked up."""
    text = (rules_dir() / "README.md").read_text().partition("## Holdover tables")[2].partition("\n## ")[0]
    head, table = (text.partition(f"```{kind}\n")[2].partition("```")[0] for kind in ("toml", "csv"))
    folder = tmp_path / "winter-2025-26"
    folder.mkdir()
    (folder / "head.toml").write_text(head)
    (folder / "type-4.csv").write_text(table)
    checked = json.loads(tables("check", str(folder), "--json").stdout)
    assert checked["in_force"] is True
    assert [line for line in checked["odd"] if "chart of snowfall" not in line] == []
    tables("install", str(folder), "--rules", str(tmp_path))
    fog = answer("--fluid", "IV", "--mix", "100", "--temp", "-2", "--weather", "FZFG", "--rules", str(tmp_path))
    assert (fog["lower_min"], fog["upper_min"], fog["current"]) == (30, 60, True)
