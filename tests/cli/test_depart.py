from __future__ import annotations

import json
from datetime import UTC, datetime

import pytest
import time_machine

from tests.cli.evening import keep_evening
from tests.cli.spoken import hoarline

NOW = datetime(2026, 1, 12, 3, 25, tzinfo=UTC)
METAR = "METAR XNOR 120320Z 34008KT 3000 -SN OVC012 M02/M03 Q1003"
TAF = "TAF XNOR 120200Z 1202/1218 34008KT 3000 -SN OVC012 TEMPO 1204/1208 1200 SN TX01/1212Z TNM03/1206Z"
BY_HAND = ("--report", METAR, "--taf", TAF, "--position", "60.20,11.10,210")
ASKED = ("depart", "--aircraft", "medium-jet", "--off-block", "0540Z", "--flight", "HL101", *BY_HAND)
CONTRACT = {
    "place", "steps", "holdover", "engine_bleed_wait_ends", "apu_bleed_wait_ends", "take_off", "p_within_lower",
    "p_within_upper", "fuel_kg", "verdict",
}  # fmt: skip
HOLDOVER = {
    "lower_min",
    "upper_min",
    "starts_at",
    "lower_ends_at",
    "upper_ends_at",
    "table",
    "season",
    "in_season",
    "authority",
}


@pytest.fixture(autouse=True)
def _morning(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with time_machine.travel(NOW, tick=False):
        yield


def test_the_choice_and_why_come_first_and_every_figure_of_an_old_table_says_training():
    told = hoarline(*ASKED, "--training", "--ctot", "0615Z")
    assert told.code == 0, told.err
    assert told.lines[0].startswith("XNOR HL101, off-block 0540Z: pad (pad 19), call by")
    assert told.lines[0].endswith("training.")
    assert told.lines[1].startswith("Type IV 100/0 holds 20 to 40 min (training)")
    for line in told.lines:
        assert len(line) <= 80, line
        if line.startswith(("holdover", "off within", "no holdover")):
            assert line.count("training") == 3, line
    assert "the operator's approved" in told.out
    assert "The aircraft's own manual goes first." in told.out
    assert "Transport Canada; training, not in force" in " ".join(told.out.split())
    assert "report of 0320Z, 5 min old" in told.out


def test_without_training_old_tables_give_no_minutes_no_chance_and_no_choice():
    told = hoarline(*ASKED)
    assert told.code == 0
    assert told.lines[0].endswith("no place is recommended.")
    assert "out of season" in told.out
    assert "off within" not in told.out


def test_json_keeps_the_contract():
    told = hoarline(*ASKED, "--training", "--json")
    made = json.loads(told.out)
    assert {"options", "choice", "why", "caution"} <= made.keys()
    assert [each["place"] for each in made["options"]] == ["stand", "after-push", "pad"]
    for each in made["options"]:
        assert each.keys() >= CONTRACT
        assert each["holdover"].keys() >= HOLDOVER
        assert each["holdover"]["in_season"] is False
        assert each["holdover"]["training"] is True
        assert each["take_off"].keys() == {"p10", "p50", "p90"}
        for step in each["steps"]:
            assert step.keys() >= {"name", "from", "to"}
            assert step["from"] <= step["to"]
        assert each["verdict"] in {"fits", "tight", "does-not-fit"}
    assert made["choice"] == "pad"
    bare = json.loads(hoarline(*ASKED, "--json").out)
    assert bare["choice"] is None
    assert {each["verdict"] for each in bare["options"]} == {None}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--fluid", "Type IV 100"), "did you mean Type IV 100/0?"),
        (("--place", "gate"), 'place: "gate" is not known'),
        (("--aircraft", "mediumjet"), "did you mean medium-jet?"),
        (("--contamination", "slush"), 'contamination: "slush" is not known'),
        (("--tsat", "0530Z"), "is before TOBT"),
        (("--ctot", "0500Z"), "ends before off-block"),
        (("--off-block", "soon"), 'off-block: "soon" is no time'),
        (("--operations", "none.toml"), "none.toml: cannot be read"),
        (("--runway", "36"), 'runway "36" is not known'),
    ],
)
def test_wrong_words_are_said_with_what_is_allowed(words, said):
    told = hoarline(*ASKED, *words)
    assert told.code == 2
    assert said in told.err
    assert "Traceback" not in told.err


def test_a_station_without_operations_and_one_without_a_name_are_refused():
    text = METAR.replace("XNOR", "XBAY")
    told = hoarline("depart", "--aircraft", "medium-jet", "--off-block", "2h", "--report", text)
    assert (told.code, 'station: "XBAY" has no operations' in told.err) == (2, True)
    assert hoarline("depart", "--aircraft", "medium-jet", "--off-block", "2h").code == 2


def test_a_taf_alone_without_temperatures_gives_no_answer():
    told = hoarline(
        "depart",
        "--aircraft",
        "small-jet",
        "--off-block",
        "0540Z",
        "--taf",
        "TAF XNOR 120200Z 1202/1218 34008KT 3000 -SN OVC012",
    )
    assert told.code == 0
    assert told.lines[1].startswith("No temperature of XNOR is known")


def test_others_of_a_file_may_stand_in_the_way(tmp_path):
    rows = "\n".join(f"HL{number},medium-jet,0540Z,pad" for number in range(1, 9))
    (tmp_path / "others.csv").write_text(f"flight,aircraft,off_block,place\n{rows}\n")
    alone = json.loads(hoarline(*ASKED, "--training", "--json").out)["options"][2]
    queued = json.loads(hoarline(*ASKED, "--training", "--json", "--others", "others.csv").out)["options"][2]
    assert queued["take_off"]["p50"] > alone["take_off"]["p50"]


def test_a_station_of_the_running_service_is_planned_from_the_store(tmp_path):
    keep_evening(tmp_path)
    with time_machine.travel(datetime(2026, 1, 12, 20, 5, tzinfo=UTC), tick=False):
        told = hoarline("depart", "XNOR", "--aircraft", "medium-jet", "--off-block", "2110Z", "--training")
    assert told.code == 0, told.err
    assert "Needs treatment:" in told.out
    assert "XNOR 122000Z" in told.out
