"""`hoarline night` as a pilot in the evening meets it: whether and when first, then why, and what would change it."""

from __future__ import annotations

import gzip
import json
import math
import re
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from tests.cli.evening import NOW, keep_evening
from tests.cli.spoken import Said, hoarline

REPORT = "METAR XNOR 122000Z 00000KT CAVOK 05/00 Q1021"
TAF = "TAF XNOR 121720Z 1218/1318 VRB02KT 9999 FEW030 TN00/1306Z TX06/1313Z"
HERE = ("--position", "60.20,11.10,210")
ROW = re.compile(r"^(now|dep|   ) \d{4}Z ")
BLOCK = re.compile("[▏▎▍▌▋▊▉█]")


def night(*words: str, report: str = REPORT, taf: str | None = TAF, place=HERE, **more) -> Said:
    by_hand = ["--report", report, *(("--taf", taf) if taf else ())]
    return hoarline("night", *by_hand, *place, *words, **more)


def answer(*words: str, **more) -> dict:
    said = night("--json", *words, **more)
    assert said.code == 0, said.err
    return json.loads(said.out)


def rows(said: Said) -> list[str]:
    return [line for line in said.lines if ROW.match(line)]


@pytest.fixture(autouse=True)
def _a_folder_without_settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


# ---- the answer ----------------------------------------------------------------------------------------------------


def test_the_first_two_lines_say_whether_it_is_frosted_at_departure_and_when_frost_begins():
    heading, first = night("--until", "0540Z", report="METAR XNOR 122000Z 20006KT 9999 BKN040 06/03 Q1021").lines[:2]
    assert heading.startswith("XNOR")
    assert "122000Z-130540Z" in heading
    assert re.match(r"At 0540Z: deposit on the wing (<1|\d+) %; frost (likely|possible) from about \d{4}Z", first)


def test_frost_that_can_form_already_is_from_now():
    said = night("--until", "0540Z", report="METAR XNOR 122000Z 00000KT CAVOK M02/M03 Q1021", taf=None)
    assert "frost likely from now" in said.lines[1]


def test_a_warm_windy_night_expects_none_and_never_says_never():
    said = night("--until", "0540Z", report="METAR XNOR 122000Z 24018KT 9999 OVC020 11/08 Q1011", taf=None)
    assert said.lines[1].startswith("At 0540Z: deposit on the wing <1 %; frost not expected, ")
    assert " 0 %" not in said.out


def test_snow_on_the_wing_goes_before_frost():
    said = night("--until", "0540Z", report="METAR XNOR 122000Z 00000KT 2000 SN OVC012 M01/M02 Q1011", taf=None)
    assert said.lines[1].startswith("At 0540Z: snow or freezing precipitation on the wing")


def test_water_left_by_rain_is_told_beside_frost():
    said = night("--until", "0540Z", report="METAR XNOR 122000Z 00000KT 9999 RA OVC020 02/01 Q1011", taf=None)
    assert "Water left on the wing and frozen" in said.out


def test_without_a_departure_it_says_when_a_deposit_is_most_likely():
    said = night()
    assert re.search(r"a deposit most likely at \d{4}Z, \d+ %", " ".join(said.lines[1:3]))
    assert not any(row.startswith("dep") for row in rows(said))
    assert answer()["until"].endswith("T11:10:00Z"), "15 hours ahead"


def test_the_end_of_forming_and_the_end_of_the_deposit_are_two_times_and_are_looked_for_after_the_departure():
    said = night("--until", "0540Z")
    dry = next(line for line in said.lines if line.startswith("dry bay"))
    forms_until, gone = re.findall(r"(\d{4})Z", dry)[-2:]
    assert "0540" < forms_until < gone
    assert f"A deposit is gone about {gone}Z" in said.out


def test_one_line_a_half_hour_with_now_and_departure_marked():
    shown = rows(night("--until", "0540Z"))
    assert len(shown) == 21
    assert shown[0].startswith("now 2000Z")
    assert shown[1].startswith("    2030Z")
    assert shown[-1].startswith("dep 0540Z")
    assert answer("--until", "0540Z")["steps"][-1]["at"].endswith("T05:40:00Z")


def test_rows_say_what_the_contract_says():
    said, steps = night("--until", "0540Z"), answer("--until", "0540Z")["steps"]
    for row, step in zip(rows(said), steps, strict=True):
        first = re.search(r"Z +(<1|>99|\d+) %", row)
        assert first is not None
        p = step["p_active_frost"]
        shown = first[1]
        assert shown == ("<1" if p < 0.01 else ">99" if p > 0.99 else str(int(100 * p + 0.5)))
        temps = [float(number) for number in re.findall(r"-?\d+\.\d", row)]
        told = [step["skin_c"]["p50"], step["skin_c"]["p10"], step["skin_c"]["p90"]]
        told += [step["temp_c"]["p50"], step["frost_point_c"]["p50"]]
        assert temps == pytest.approx(told, abs=0.0501)


def test_the_bar_is_as_long_as_the_chance():
    said = night("--until", "0540Z")
    lengths = [
        (int(re.search(r"(\d+) %", row)[1]), len(BLOCK.findall(row))) for row in rows(said)
    ]  # eight blocks are 100 %
    assert all(abs(length - 8 * p / 100) <= 1 for p, length in lengths)
    assert len({length for _, length in lengths}) > 1


def test_it_says_plainly_that_no_wing_was_measured_and_that_the_aircraft_is_checked():
    text = " ".join(night("--until", "0540Z").out.split())
    assert "No measurement of an aircraft's wing stands behind this: a thin panel and natural ground" in text
    assert "Check the aircraft by hand." in text
    assert "Planning aid." in text


def test_what_the_report_leaves_in_doubt_is_told():
    said = night("--until", "0540Z", report="METAR XNOR 122000Z 00000KT CAVOK 01/05 Q1021")
    assert any(line.startswith("doubt   ") for line in said.lines)
    assert "The dew point is not known" in said.out


def test_the_data_and_their_age_are_shown():
    said = night("--until", "0540Z")
    assert f"report  5 min old: {REPORT}" in said.out
    assert "TAF     2 h 45 min old: TAF XNOR 121720Z" in said.out


# ---- the terminal --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("encoding", ["utf-8", "ascii", "latin-1"])
@pytest.mark.parametrize("more", [(), ("--until", "30h"), ("--until", "0540Z", "--hangar-exit", "0100Z")])
def test_no_line_is_longer_than_80_columns_and_every_terminal_has_its_characters(encoding, more):
    said = night(*more, taf=TAF + " BECMG 1221/1223 24008KT PROB30 TEMPO 1302/1306 0800 BCFG VV002", encoding=encoding)
    assert said.code == 0, said.err
    assert max(map(len, said.lines)) <= 80
    assert bool(BLOCK.search(said.out)) is (encoding == "utf-8")
    assert ("#" in said.out) is (encoding != "utf-8")


def test_columns_stay_in_line_without_unicode():
    plain, full = night("--until", "0540Z", encoding="ascii"), night("--until", "0540Z")
    assert [len(row) for row in rows(plain)] == [len(row) for row in rows(full)]


def test_real_reports_of_a_cold_morning_fit_the_terminal():
    """Reports of 2014-12-18 (tests/data/SOURCES.md): real places, names, zones and groups."""
    path = Path(__file__).parents[1] / "data/reports/awc-metars-cache-20141218.csv.gz"
    with gzip.open(path, "rt", encoding="utf-8") as lines:
        texts = [line.split(",")[0] for line in lines if re.match(r"[A-Z]{4} 18\d{4}Z .* M?0\d/", line)]
    tried = 0
    for text in texts[:: len(texts) // 8]:
        said = hoarline("night", "--report", text, "--until", "9h", "--members", "20")
        assert said.code == 0, said.err
        assert max(map(len, said.lines)) <= 80
        assert said.lines[0].startswith(text[:4])
        tried += "by half hour" in said.out
    assert tried >= 5, "most of these places are in the table and have a temperature"


# ---- the contract --------------------------------------------------------------------------------------------------

TIMES, QUANTILES = {"p10", "p50", "p90"}, {"p10", "p50", "p90"}


def test_json_is_the_contract():
    seen = answer("--until", "0540Z")
    assert {
        "station", "from", "until", "members", "worst_part", "steps", "onset", "end", "deposit_end", "p_any", "parts", "notes",
        "observed_at", "report_age_min", "forecast_issued_at", "caution", "sensitivity",
    } == seen.keys()  # fmt: skip
    assert set(seen["parts"]) == {"dry_bay", "tank_full", "tank_part"}
    assert (seen["station"], seen["members"], seen["p_any"]) == (
        "XNOR",
        200,
        seen["parts"][seen["worst_part"]]["p_any"],
    )
    for part in seen["parts"].values():
        assert {"p_any", "p_deposit", "onset", "end", "deposit_end"} <= part.keys()
    for step in seen["steps"]:
        assert all(0 <= step[name] <= 1 for name in ("p_active_frost", "p_deposit", "p_frozen_residual"))
        for name in ("skin_c", "temp_c", "frost_point_c"):
            assert step[name].keys() == QUANTILES
            assert step[name]["p10"] <= step[name]["p50"] <= step[name]["p90"]
    for name in ("onset", "end", "deposit_end"):
        assert seen[name].keys() == TIMES
        assert all(value is None or datetime.fromisoformat(value).tzinfo for value in seen[name].values())
    for item in seen["sensitivity"]:
        assert item.keys() == {"change", "p_any", "p_any_points", "p_deposit", "p_deposit_points"}
        assert isinstance(item["change"], str)
        assert all(isinstance(item[name], float) for name in item.keys() - {"change"})


def test_the_same_question_gets_the_same_answer():
    assert answer("--until", "0540Z") == answer("--until", "0540Z")


def test_the_frost_point_is_that_over_ice():
    """Against D. M. Murphy, T. Koop, Q. J. R. Meteorol. Soc. 131, 2005, equations 7 and 10 (coefficients: memory)."""

    def over_water(kelvin: float) -> float:
        log = math.log(kelvin)
        main = 54.842763 - 6763.22 / kelvin - 4.210 * log + 0.000367 * kelvin
        return math.exp(main + math.tanh(0.0415 * (kelvin - 218.8)) * (53.878 - 1331.22 / kelvin - 9.44523 * log + 0.014025 * kelvin))  # fmt: skip

    def over_ice(kelvin: float) -> float:
        return math.exp(9.550426 - 5723.265 / kelvin + 3.53068 * math.log(kelvin) - 0.00728332 * kelvin)

    low, high = 263.15, 273.15
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if over_ice(middle) < over_water(268.15) else (low, middle)
    seen = answer("--until", "2h", report="METAR XNOR 122000Z 00000KT CAVOK M02/M05 Q1021 RMK T10201050")
    assert seen["steps"][0]["frost_point_c"]["p50"] == pytest.approx(low - 273.15, abs=0.06)


# ---- what would change it ------------------------------------------------------------------------------------------


def test_changes_are_told_largest_first_and_only_when_they_move_the_answer():
    seen = answer("--until", "0540Z")["sensitivity"]
    sizes = [max(abs(item["p_any_points"]), abs(item["p_deposit_points"])) for item in seen]
    assert sizes == sorted(sizes, reverse=True)
    assert min(sizes) >= 5
    overcast = next(item for item in seen if item["change"].startswith("overcast"))
    assert overcast["p_any_points"] < -20, "cloud keeps the skin warm"
    fresh = next(item for item in seen if item["change"].startswith("wind of 10 kt"))
    assert fresh["p_any_points"] < 0, "wind keeps the skin at the air's temperature"


def test_a_change_is_what_asking_the_changed_reports_gives():
    """The overcast answer is the one that reports with that sky get, by the same random numbers."""
    base = answer("--until", "0540Z")
    told = next(item for item in base["sensitivity"] if item["change"].startswith("overcast"))
    asked = answer(
        "--until", "0540Z", report=REPORT.replace("CAVOK", "9999 OVC020"), taf=TAF.replace("FEW030", "OVC020")
    )
    assert told["p_any"] == asked["p_any"]
    assert told["p_deposit"] == max(part["p_deposit"] for part in asked["parts"].values())
    assert told["p_any_points"] == pytest.approx(100 * (asked["p_any"] - base["p_any"]), abs=0.11)


def test_an_answer_that_hangs_on_nothing_says_so():
    said = night("--until", "0540Z", report="METAR XNOR 122000Z 24018KT 9999 OVC020 11/08 Q1011", taf=None)
    assert "Nothing that was tried moves the answer by 5 points" in said.out


# ---- the aircraft --------------------------------------------------------------------------------------------------


def test_warm_fuel_keeps_frost_from_the_full_tank_and_not_from_the_dry_bay():
    cold, warm = (answer("--until", "0540Z", "--fuel-c", celsius)["parts"] for celsius in ("-8", "15"))
    assert warm["tank_full"]["p_any"] < 0.1 < cold["tank_full"]["p_any"]
    assert warm["dry_bay"]["p_any"] == cold["dry_bay"]["p_any"]


def test_a_wing_made_clean_late_has_less_on_it_than_one_that_stood_all_night():
    stood, treated = answer("--until", "0540Z"), answer("--until", "0540Z", "--treated", "0500Z")
    assert treated["parts"]["dry_bay"]["p_deposit"] < stood["parts"]["dry_bay"]["p_deposit"] - 0.2


def test_before_it_leaves_the_hangar_nothing_forms_and_the_row_says_where_it_is():
    words = ("--until", "0540Z", "--hangar-exit", "0100Z", "--hangar-c", "12")
    before = [step for step in answer(*words)["steps"] if step["at"][10:] >= "T20:00" or step["at"][10:] < "T01:00"]
    assert len(before) == 10
    assert all(step["p_active_frost"] == step["p_deposit"] == 0 for step in before)
    assert sum("in the hangar" in row for row in rows(night(*words))) == 10
    assert sum("not parked here yet" in row for row in rows(night("--until", "0540Z", "--arrived", "2230Z"))) == 5


def test_a_sheltered_stand_and_bare_metal_frost_less():
    painted = answer("--until", "0540Z")["p_any"]
    assert answer("--until", "0540Z", "--sky", "0.2")["p_any"] < painted - 0.2
    assert answer("--until", "0540Z", "--emissivity", "0.1")["p_any"] < painted - 0.2


# ---- wrong input, and what is not known ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--until", "0540"), "0540Z"),
        (("--until", "31h"), "at most 30 h"),
        (("--until", "2026-01-01T00:00Z"), "is not ahead"),
        (("--treated", "noon"), "--treated"),
        (("--arrived", "2026-01-01T00:00Z"), "--arrived"),
        (("--hangar-exit", "6h"), "--hangar-exit"),
        (("--hangar-c", "10"), "--hangar-exit"),
        (("--fuel-c", "99"), "60"),
        (("--fuel-c", "nan"), "--fuel-c"),
        (("--sky", "1.5"), "--sky"),
        (("--emissivity", "0"), "--emissivity"),
        (("--members", "5"), "20"),
        (("--position", "60.2"), "60.20,11.10,210"),
        (("--position", "95,11,210"), "-90 to 90"),
        (("--position", "nan,11,210"), "-90 to 90"),
        (("--taf", "TAF XBAY 121720Z 1218/1318 CAVOK"), "different stations"),
        (("--report", "nonsense"), "cannot be read"),
        (("XBAY",), "XNOR"),
        (("--colour",), "--colour"),
    ],
)
def test_wrong_use_is_refused_with_what_is_allowed(words, said):
    done = night(*words)
    assert done.code == 2
    assert said in re.sub(r"[\s│]+", " ", done.err)
    assert "Traceback" not in done.err
    assert not done.out


def test_no_station_at_all_is_refused():
    done = hoarline("night")
    assert done.code == 2
    assert "give station codes, or --report" in done.err


@pytest.mark.parametrize(
    ("more", "missing"),
    [
        ({"place": ()}, "The position of XNOR is not known"),
        ({"report": "METAR XNOR 122000Z 00000KT CAVOK ///// Q1021", "taf": None}, "No temperature of XNOR is known"),
        ({"report": "METAR XNOR 122000Z NIL", "taf": None}, "No temperature of XNOR is known"),
    ],
)
def test_what_cannot_be_computed_says_what_is_missing_and_is_no_failure(more, missing):
    said = night("--until", "0540Z", **more)
    assert said.code == 0
    assert "cannot be computed:" in said.out
    assert missing in " ".join(said.out.split())
    assert "Planning aid." in said.out
    seen = answer("--until", "0540Z", **more)
    assert (seen["p_any"], seen["parts"], seen["steps"], seen["onset"], seen["sensitivity"]) == (None, {}, [], None, [])
    assert any(note.startswith(missing) for note in seen["notes"])


def test_a_taf_alone_is_enough_and_says_what_it_lacks():
    said = hoarline("night", "--taf", TAF, *HERE, "--until", "0540Z")
    assert said.code == 0
    assert "wind, cloud and humidity are not known" in said.out


# ---- from the store ------------------------------------------------------------------------------------------------


@pytest.fixture
def watched(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    keep_evening(tmp_path)
    monkeypatch.setattr("watcher.clock.utc_now", lambda: NOW)
    return tmp_path


def test_stations_of_the_store_come_worst_first_with_local_time(watched):
    said = hoarline("night", "XBAY", "xnor", "--until", "0540Z")
    assert said.code == 0, said.err
    assert max(map(len, said.lines)) <= 80
    headings = [line for line in said.lines if re.match(r"X(NOR|BAY) ", line)]
    assert headings[0] == "XNOR Nordvik  122000Z-130540Z (21:00-06:40 Europe/Oslo)"
    assert headings[1].startswith("XBAY Bay of the Long")
    assert "now 2000Z 21:00 " in said.out
    assert "dep 0540Z 06:40 " in said.out
    assert "report  5 min old: METAR XNOR 122000Z" in said.out
    assert "stand outside since 1700Z" in " ".join(said.out.split()), "the reports before are used"
    seen = [json.loads(line) for line in hoarline("night", "XBAY", "XNOR", "--until", "0540Z", "--json").lines]
    assert [item["station"] for item in seen] == ["XNOR", "XBAY"]
    assert seen[0]["p_any"] > 0.8
    assert seen[1]["p_any"] < 0.1
    assert (seen[0]["observed_at"], seen[0]["report_age_min"]) == ("2026-01-12T20:00:00Z", 0)
    assert seen[0]["forecast_issued_at"] == "2026-01-12T17:20:00Z"


def test_reports_that_are_hours_old_are_not_taken_for_the_present(watched, monkeypatch):
    monkeypatch.setattr("watcher.clock.utc_now", lambda: NOW + timedelta(hours=7))
    (seen,) = [json.loads(line) for line in hoarline("night", "XBAY", "--until", "6h", "--json").lines]
    assert seen["p_any"] is None
    assert seen["notes"][0] == "The last report, of 2000Z, is 7 h 05 min old and is not used."
    (seen,) = [json.loads(line) for line in hoarline("night", "XNOR", "--until", "6h", "--json").lines]
    assert seen["notes"][0].startswith("The last report"), "the TAF's lowest temperature carries the answer"
    assert seen["p_any"] is not None
    monkeypatch.setattr("watcher.clock.utc_now", lambda: NOW + timedelta(days=2))
    said = hoarline("night", "XNOR", "--until", "6h")
    assert said.code == 0
    assert "The last TAF ended" in " ".join(said.out.split())
    assert "cannot be computed" in said.out


def test_a_station_that_is_not_known_says_so_and_does_not_hide_the_others(watched):
    said = hoarline("night", "XTAR", "XNOR", "--until", "0540Z")
    assert said.code == 0
    assert said.lines[0].startswith("XNOR")
    assert "The position of XTAR is not known" in " ".join(said.out.split())
    assert "No temperature of XTAR is known" in " ".join(said.out.split())


def test_one_position_is_not_given_to_two_stations(watched):
    done = hoarline("night", "XTAR", "XNOR", "--position", "60,11,200")
    assert done.code == 2
    assert "name one station" in done.err
    assert "No temperature" in hoarline("night", "XTAR", "--position", "60,11,200").out


def test_settings_are_needed_for_the_store_and_not_for_texts_by_hand():
    assert hoarline("night", "XNOR").code == 2
    assert night("--until", "0540Z").code == 0
