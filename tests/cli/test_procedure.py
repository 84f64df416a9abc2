"""`hoarline procedure` prints a checklist that fits the aircraft, the station and the paper."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from watcher.cli.procedure import procedure
from watcher.errors import RulesError, UsageError

RUNNER = CliRunner()
SHIPPED = Path(__file__).parents[2] / "rules"
app = typer.Typer()
app.command()(procedure)


@pytest.fixture(autouse=True)
def _no_settings_here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def said(*words: str) -> str:
    done = RUNNER.invoke(app, words, catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.stdout


def contract(*words: str) -> dict:
    return json.loads(said(*words, "--json"))


def flat(text: str) -> str:
    return " ".join(text.split())


def own(folder: Path, name: str, old: str, new: str) -> Path:
    """Lay a changed copy of a shipped file into a folder of one's own."""
    text = (SHIPPED / name).read_text(encoding="utf-8")
    assert text.count(old) >= 1
    (folder / name).parent.mkdir(parents=True, exist_ok=True)
    (folder / name).write_text(text.replace(old, new), encoding="utf-8")
    return folder


@pytest.mark.parametrize("place", ["stand", "after-push", "pad"])
def test_a_sheet_fits_80_columns_and_goes_from_before_to_after_with_the_manual_first_and_the_caution_last(place):
    told = said(place, "--aircraft", "medium-jet", "--station", "XNOR")
    assert max(map(len, told.splitlines())) <= 80
    parts = [
        "The aircraft's own manual goes first",
        "BEFORE",
        "DURING",
        "AFTER",
        "STOP THE TREATMENT WHEN",
        "Planning aid.",
    ]
    assert [told.index(part) for part in parts] == sorted(told.index(part) for part in parts)
    assert "approved programme and this season's official tables decide." in flat(told)


def test_the_waits_of_the_profile_are_shown_as_ends_of_a_wait_and_never_as_a_permission():
    told = flat(said("pad", "--aircraft", "medium-jet"))
    assert "Wait ends 1 min after the end of the treatment" in told
    assert "Wait ends 5 min after the end of the treatment" in told
    assert told.count("(medium-jet: common practice, no source). Not a permission.") == 2


def test_without_an_aircraft_or_without_its_wait_no_time_is_shown(tmp_path):
    assert "Wait ends" not in said("pad")
    assert flat(said("pad")).count("How long the wait is, the manual says.") == 2
    folder = own(tmp_path / "mine", "aircraft.toml", "engine_bleed_wait_min = 1\n", "")
    told = flat(said("pad", "--aircraft", "small-propeller", "--rules", str(folder)))
    assert "Wait ends" not in told
    assert "the manual says" in told
    waits = contract("pad", "--aircraft", "small-propeller", "--rules", str(folder))["waits"]
    assert [wait["minutes"] for wait in waits] == [None, None]


def test_an_aircraft_without_an_apu_has_no_step_for_it():
    assert "APU bleed" not in said("stand", "--aircraft", "small-propeller")
    assert "If the APU runs: APU bleed" in flat(said("stand", "--aircraft", "medium-jet"))


def test_engines_are_off_at_the_stand_and_running_at_the_pad_unless_said_otherwise():
    assert contract("stand")["situation"]["engines"] == "off"
    assert contract("pad")["situation"]["engines"] == "running"
    assert contract("pad", "--engines-off")["situation"]["engines"] == "off"
    assert contract("after-push")["situation"]["engines"] is None
    assert "If the engines run: " in said("after-push")
    assert "If the engines run: " not in said("after-push", "--engines-running")
    assert "Thrust stays idle" in said("after-push", "--engines-running")
    assert "Thrust stays idle" not in said("after-push", "--engines-off")


def test_a_station_brings_its_local_procedure_and_how_it_treats_there():
    told = contract("after-push", "--station", "xnor")
    assert told["situation"]["engines"] == "off"
    assert told["station"] == "XNOR"
    assert "Local procedure at XNOR (invented)" in said("after-push", "--station", "XNOR")


def test_crew_and_ground_crew_see_their_own_steps_under_the_same_numbers():
    everyone = {item["number"]: item for phase in contract("pad")["phases"] for item in phase["items"]}
    seen = set()
    for party, word in (("crew", "crew"), ("ground", "ground crew")):
        items = [item for phase in contract("pad", "--who", party)["phases"] for item in phase["items"]]
        assert {item["who"] for item in items} == {word, "both"}
        assert all(everyone[item["number"]] == item for item in items)
        seen |= {item["number"] for item in items}
    assert seen == set(everyone)


def test_json_gives_each_step_with_its_clocks_and_its_source():
    told = contract("pad", "--aircraft", "medium-jet")
    assert [phase["phase"] for phase in told["phases"]] == ["before", "during", "after"]
    items = [item for phase in told["phases"] for item in phase["items"]]
    assert [item["number"] for item in items] == list(range(1, len(items) + 1))
    assert all(item["source"] for item in items)
    final = next(item for item in items if item["id"] == "final-step-begins")
    assert final["starts"] == ["final-step-start", "holdover"]
    assert next(item for item in items if item["id"] == "apu-bleed-off")["when"] == "the APU runs"
    assert next(item for item in items if item["id"] == "thrust-stays-idle")["when"] is None
    assert told["waits"][0] == {"clock": "engine-bleed-wait", "minutes": 1.0, "source": "common practice, no source"}
    assert told["caution"].startswith("Planning aid.")


def test_an_own_file_replaces_the_shipped_one_of_its_name_and_no_other(tmp_path):
    folder = own(tmp_path / "mine", "procedures/stand.toml", "Treatment at the stand", "Stand, our programme")
    assert said("stand", "--rules", str(folder)).startswith("Stand, our programme\n")
    assert said("pad", "--rules", str(folder)).startswith("Treatment at the pad\n")
    assert contract("stand", "--rules", str(folder))["file"] == str(folder / "procedures/stand.toml")


def test_the_folder_named_in_the_settings_counts(tmp_path):
    own(tmp_path / "mine", "procedures/stand.toml", "Treatment at the stand", "Stand, our programme")
    (tmp_path / "hoarline.toml").write_text('[rules]\nfolder = "mine"\n')
    assert said("stand").startswith("Stand, our programme\n")


def test_an_own_file_that_moves_the_flaps_during_the_treatment_is_refused(tmp_path):
    folder = own(
        tmp_path / "mine", "procedures/stand.toml", 'id = "nothing-switched"', 'id = "nothing-switched"\nmoves = ["flaps"]'
    )  # fmt: skip
    with pytest.raises(RulesError, match=r'stand\.toml: item "nothing-switched": moves flaps before the treatment'):
        RUNNER.invoke(app, ["stand", "--rules", str(folder)], catch_exceptions=False)


@pytest.mark.parametrize(
    ("words", "answer"),
    [
        (["pads"], 'place "pads": is not known; did you mean pad?'),
        (["pad", "--aircraft", "medium-jett"], "did you mean medium-jet?"),
        (["pad", "--station", "XBAY"], 'station: "XBAY" has no operations'),
        (["pad", "--who", "tower"], 'who: "tower" is not known; allowed: crew, ground'),
    ],
)
def test_a_word_that_is_not_known_is_answered_with_the_nearest(words, answer):
    with pytest.raises(UsageError) as error:
        RUNNER.invoke(app, words, catch_exceptions=False)
    assert answer in str(error.value)


def test_a_place_where_the_station_does_not_treat_is_said(tmp_path):
    folder = own(tmp_path / "mine", "operations.toml", 'place = "after-push"', 'place = "stand"')
    with pytest.raises(UsageError, match="station: XNOR does not treat at after-push"):
        RUNNER.invoke(app, ["after-push", "--station", "XNOR", "--rules", str(folder)], catch_exceptions=False)
