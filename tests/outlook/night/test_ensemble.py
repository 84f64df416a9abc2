"""What a person may count on in every night: repeatable, never narrower for less knowledge, in order, and small."""

from __future__ import annotations

import json
import pickle
import subprocess
import sys
from dataclasses import replace
from datetime import timedelta

import pytest

from tests.outlook.night.asking import EVENING, answer, moment, question
from watcher.outlook.night.contract import as_contract
from watcher.outlook.night.ensemble import nights

TAF = "1218/1318 VRB02KT CAVOK TNM05/1306Z BECMG 1300/1302 BKN020 TEMPO 1302/1306 -SN PROB30 1304/1308 0300 FG"
QUESTIONS = [
    question("00000KT CAVOK M01/M02 Q1021", TAF, code="XNOR"),
    question("27008KT 9999 SCT030 03/00 Q1015", code="XBAY", hours=9, history=(moment(2, 5), moment(1, 4))),
    question("/////KT ////// M05/// Q1021", code="XFEL", place=(None, None, None)),
    question(None, "1218/1318 VRB02KT CAVOK TNM05/1306Z TX02/1314Z", code="XMOR", hours=14),
]


def test_the_same_question_gets_the_same_answer_whatever_is_asked_with_it():
    together = nights(QUESTIONS)
    alone = [nights([one])[0] for one in QUESTIONS]
    backwards = nights(QUESTIONS[::-1])[::-1]
    assert list(together) == alone
    assert backwards == together


def test_many_batches_on_two_threads_give_what_one_gives():
    many = [
        question("00000KT CAVOK M01/M02 Q1021", hours=1, code=f"X{a}{b}A")
        for a in "ABCDEF"
        for b in "ABCDEFGHIJKLMNOPQRSTUV"
    ]
    assert nights(many, members=20, threads=2) == nights(many, members=20, threads=1)


def test_no_question_is_no_answer():
    assert nights([]) == ()


def test_without_any_temperature_there_is_no_answer_and_it_says_so():
    night = nights([question(None)])[0]
    assert night.p_any is None
    assert night.parts == ()
    assert night.notes == ("No temperature is known, from a report or from a TAF: no answer.",)
    assert as_contract(night, "caution")["p_any"] is None


def test_the_highest_chances_of_the_parts_stand_on_top():
    for night in nights(QUESTIONS):
        assert night.p_any == max(part.p_any for part in night.parts)
        assert night.worst is not None
        assert (night.onset, night.end) == (night.worst.onset, night.worst.end)


def test_quantiles_and_times_are_in_order_and_chances_are_chances():
    for night in nights(QUESTIONS):
        for part in night.parts:
            for times in (part.onset, part.end, part.deposit_end):
                known = [time for time in times or () if time is not None]
                assert known == sorted(known)
                assert all(time >= night.begins_at for time in known)
            for step in part.steps:
                for values in (step.skin_c, step.temp_c, step.frost_point_c):
                    assert values.p10 <= values.p50 <= values.p90
                for chance in (step.p_active_frost, step.p_deposit, step.p_frozen_residual, step.p_precipitation):
                    assert 0 <= chance <= 1
                assert step.p_active_frost <= part.p_any + 1e-6


def test_steps_lie_on_half_hours_with_the_beginning_and_the_departure():
    night = answer("00000KT CAVOK M01/M02 Q1021", now=EVENING.replace(minute=14), hours=2.5)
    times = [step.at for step in night.parts[0].steps]
    assert [f"{time:%H%M}" for time in times] == ["1810", "1830", "1900", "1930", "2000", "2030", "2050"]
    assert (night.begins_at, night.ends_at) == (times[0], times[-1])


def test_half_the_step_moves_no_chance_by_more_than_two_hundredths():
    asked = [
        question("00000KT CAVOK M01/M02 Q1021", "1218/1318 VRB02KT CAVOK TNM05/1306Z", hours=19),
        question("27006KT 9999 SCT030 03/00 Q1015", "1218/1318 27006KT 9999 SCT030 TNM02/1306Z", code="XBAY", hours=19),
        question("27004KT 9999 BKN020 01/M01 Q1015", "1218/1318 27004KT CAVOK TNM03/1306Z", code="XFEL", hours=19),
    ]
    for night, finer in zip(nights(asked), nights(asked, dt=timedelta(minutes=5)), strict=True):
        for part, again in zip(night.parts, finer.parts, strict=True):
            assert len(part.steps) == len(again.steps)
            for step, same in zip(part.steps, again.steps, strict=True):
                assert step.p_active_frost == pytest.approx(same.p_active_frost, abs=0.02)
                assert step.p_deposit == pytest.approx(same.p_deposit, abs=0.021)
            assert part.p_any == pytest.approx(again.p_any, abs=0.02)


@pytest.mark.parametrize(
    "reports",
    [
        [f"00000KT CAVOK {temp}/M02 Q1021" for temp in ("M02", "M01", "01", "02", "03", "05", "07", "09")],
        [f"00000KT 9999 {sky} 01/M02 Q1021" for sky in ("SKC", "FEW020", "SCT020", "BKN020", "OVC020", "OVC003")],
        [f"270{wind:02d}KT CAVOK 01/M03 Q1021" for wind in (1, 2, 4, 7, 11, 16, 25)],
        [f"00000KT CAVOK 01/{dew} Q1021" for dew in ("M01", "M02", "M04", "M06", "M08", "M12")],
    ],
    ids=["warmer", "cloudier", "windier", "drier"],
)
def test_warmer_cloudier_windier_or_drier_air_makes_frost_no_likelier(reports):
    chances = [answer(report, hours=0.2).parts[0].steps[0].p_active_frost for report in reports]
    assert all(after <= before + 0.02 for before, after in zip(chances, chances[1:], strict=False))
    assert chances[0] > chances[-1] + 0.5


def test_a_sheltered_stand_and_bare_metal_frost_less():
    report = "00000KT CAVOK 02/M01 Q1021"
    open_sky, roofed, metal = (
        answer(report, hours=0.2, **craft).parts[0].steps[0] for craft in ({}, {"sheltered": 0.3}, {"emissivity": 0.1})
    )
    assert roofed.skin_c.p50 > open_sky.skin_c.p50 + 2
    assert metal.skin_c.p50 > open_sky.skin_c.p50 + 2
    assert max(roofed.p_active_frost, metal.p_active_frost) < open_sky.p_active_frost - 0.4


def test_cloud_that_is_becoming_lifts_the_skin_member_by_member():
    base = "1218/1318 VRB02KT CAVOK TNM05/1306Z"
    clear, cloudy = (
        answer("00000KT CAVOK M01/M02 Q1021", taf) for taf in (base, f"{base} BECMG 1222/1302 9999 OVC010")
    )
    lift = [
        there.skin_c.p50 - step.skin_c.p50
        for step, there in zip(clear.parts[0].steps, cloudy.parts[0].steps, strict=True)
    ]
    assert lift[7] == 0
    assert 0.2 < lift[12] < lift[18]
    spread = [there.skin_c.p90 - there.skin_c.p10 for there in cloudy.parts[0].steps]
    assert spread[12] > spread[18]


@pytest.mark.parametrize(
    ("group", "low", "high"), [("PROB30", 0.25, 0.35), ("PROB40", 0.35, 0.45), ("TEMPO", 0.7, 1.0)]
)
def test_snow_that_is_only_probable_comes_to_as_many_members(group, low, high):
    taf = f"1218/1318 27005KT 9999 BKN030 TNM06/1306Z {group} 1222/1302 2000 -SN OVC008"
    night = answer("27005KT 9999 BKN030 M03/M05 Q1021", taf)
    steps = {step.at: step for step in night.parts[0].steps}
    assert steps[EVENING + timedelta(hours=3)].p_precipitation == 0
    assert low <= steps[EVENING + timedelta(hours=9)].p_precipitation <= high


def test_less_knowledge_never_narrows_the_skins_temperature():
    full = "1218/1318 VRB02KT CAVOK TNM05/1306Z"
    known = answer("00000KT CAVOK M01/M03 Q1021", full)
    less = {
        "no TAF": answer("00000KT CAVOK M01/M03 Q1021"),
        "no minimum": answer("00000KT CAVOK M01/M03 Q1021", "1218/1318 VRB02KT CAVOK"),
        "no report": answer(None, full),
        "cancelled": answer("00000KT CAVOK M01/M03 Q1021", "1218/1318 CNL"),
    }
    for name, night in less.items():
        for index in (6, 12, 24):
            skin, best = night.parts[0].steps[index].skin_c, known.parts[0].steps[index].skin_c
            assert skin.p90 - skin.p10 >= best.p90 - best.p10 - 0.1, name
        assert len(night.notes) > len(known.notes), name


def test_an_aircraft_that_has_not_arrived_has_no_frost():
    arrival = EVENING + timedelta(hours=5)
    night = answer("00000KT CAVOK M01/M02 Q1021", "1218/1318 VRB02KT CAVOK TNM05/1306Z", arrived_at=arrival)
    for step in night.parts[0].steps:
        assert (step.p_active_frost > 0) == (step.at >= arrival) or step.at == arrival
    assert night.parts[0].onset.p10 >= arrival


def test_frost_that_lies_already_is_known_from_the_reports_before():
    past = tuple(moment(hours, -1) for hours in (5, 4, 3, 2, 1))
    fresh, lain = (answer("00000KT CAVOK M01/M02 Q1021", history=history) for history in ((), past))
    assert fresh.parts[0].steps[0].p_deposit == 0
    assert lain.parts[0].steps[0].p_deposit > 0.8
    assert any("since 1300Z" in note for note in lain.notes)


def test_a_part_of_ten_minutes_is_asked_for_and_two_members_at_least():
    with pytest.raises(ValueError, match="ten minutes"):
        nights(QUESTIONS, dt=timedelta(minutes=7))
    with pytest.raises(ValueError, match="at least 2"):
        nights(QUESTIONS, members=1)


def test_more_members_tell_the_same_story():
    few, many = (nights([QUESTIONS[0]], members=members)[0] for members in (200, 2000))
    for part, same in zip(few.parts, many.parts, strict=True):
        assert part.p_any == pytest.approx(same.p_any, abs=0.06)
        assert part.p_deposit == pytest.approx(same.p_deposit, abs=0.08)


def test_a_night_is_small_and_free_of_numpy():
    night = nights([QUESTIONS[0]])[0]
    packed = pickle.dumps(night)
    assert b"numpy" not in packed
    assert len(packed) < 12_000


def test_the_outlook_does_not_load_numpy():
    code = (
        "import sys, watcher.outlook.steps, watcher.outlook.expectations, watcher.outlook.night.model, "
        "watcher.outlook.night.contract; sys.exit('numpy' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_the_contract_has_every_agreed_field_and_is_plain_json():
    found = json.loads(json.dumps(as_contract(nights([QUESTIONS[0]])[0], "Planning aid.")))
    assert {"station", "from", "until", "members", "steps", "onset", "end", "p_any", "parts", "caution"} <= set(found)
    assert set(found["parts"]) == {"dry_bay", "tank_full", "tank_part"}
    assert {"p_any", "p_deposit", "onset", "end", "deposit_end"} <= set(found["parts"]["dry_bay"])
    assert set(found["onset"]) == {"p10", "p50", "p90"}
    step = found["steps"][0]
    assert {"at", "p_active_frost", "p_deposit", "p_frozen_residual", "skin_c", "temp_c", "frost_point_c"} <= set(step)
    assert set(step["skin_c"]) == {"p10", "p50", "p90"}
    assert found["from"] == "2026-01-12T18:00:00Z"
    assert found["caution"] == "Planning aid."
    assert found["report_age_min"] == 0


def test_data_that_changes_draws_other_numbers_of_the_same_distribution():
    first = QUESTIONS[0]
    later = replace(first, latest=first.latest._replace(observed_at=EVENING - timedelta(minutes=30)))
    one, other = nights([first, later])
    assert one.parts[0].steps[0] != other.parts[0].steps[0]
    assert one.p_any == pytest.approx(other.p_any, abs=0.1)
