from __future__ import annotations

import random
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.treatment.at_hand import fluid_rules
from tests.treatment.at_hand import shipped as tables
from tests.treatment.departing import NOW, OFF_BLOCK, SNOW, STEADY, fleet, shipped, weather
from watcher.errors import UsageError
from watcher.outlook.night.ensemble import nights
from watcher.outlook.night.model import Aircraft
from watcher.physics.surface import TANK_FULL
from watcher.treatment.case import asked_of, case_of, reach_of
from watcher.treatment.kinds import Contamination, Place
from watcher.treatment.listed import to_treat
from watcher.treatment.morning import Desk, morning
from watcher.treatment.morning_contract import CSV_COLUMNS, as_contract, as_rows
from watcher.treatment.parse_departures import Progress, parse_departures
from watcher.treatment.weather_ahead import LYING, ahead_of
from watcher.units import clock_z

ZONES = {"XNOR": "Europe/Oslo"}
FROST = ("00000KT CAVOK M02/M03 Q1021", "1203/1218 VRB02KT CAVOK TX01/1212Z TNM06/1206Z")
NAMES = ("small-propeller", "small-jet", "medium-jet", "medium-jet-composite", "large-jet")


def read(*rows, head="flight,aircraft,off_block", station="XNOR"):
    return parse_departures("\n".join([head, *rows]), "list.csv", now=NOW, zones=ZONES, station=station)


def made(*rows, head="flight,aircraft,off_block", metar=SNOW, taf=STEADY, training=True, members=40):
    desk = Desk({"XNOR": weather(metar, taf)}, {"XNOR": shipped()}, fleet(), fluid_rules(), tables(), training)
    return morning(read(*rows, head=head), desk, NOW, members=members)


def crowd(count, minutes=4):
    return [
        f"HL{number:03},{NAMES[number % 5]},{OFF_BLOCK + timedelta(minutes=minutes * number):%H%MZ}"
        for number in range(count)
    ]


def by_name(found):
    return {line.listed.departure.name: line for line in found.lines}


def test_the_order_of_the_departures_in_the_file_does_not_matter():
    rows = crowd(12)
    mixed = random.Random(5).sample(rows, len(rows))
    assert as_contract(made(*rows), "c") == as_contract(made(*mixed), "c")


def test_departures_stand_in_the_order_in_which_they_come_to_be_treated():
    found = made(*crowd(8))
    assert [line.number for line in found.lines] == list(range(1, 9))
    begins = [line.option.times["ECZT"].p50 for line in found.lines]
    assert begins == sorted(begins)


def test_the_chance_of_frost_at_departure_is_that_of_the_frost_forecast():
    found = made(
        "HL1,medium-jet,0540Z,2130Z",
        head="flight,aircraft,off_block,arrived",
        metar=FROST[0],
        taf=FROST[1],
        members=200,
    )
    line = found.lines[0]
    question = asked_of(line.listed.departure, weather(*FROST), NOW)
    night = nights([question], members=200)[0]
    part = next(each for each in night.parts if each.part == "tank_full")
    step = next(each for each in part.steps if each.at == OFF_BLOCK - timedelta(minutes=10))
    after = next(each for each in part.steps if each.at == OFF_BLOCK + timedelta(minutes=20))
    assert line.need.kinds[Contamination.FROST] == pytest.approx((step.p_deposit + after.p_deposit) / 2, abs=0.12)
    assert line.need.likeliest is Contamination.FROST


def test_an_aircraft_found_clean_treated_or_hangared_needs_less():
    found = by_name(
        made(
            "HL1,medium-jet,0440Z,2130Z,",
            "HL2,medium-jet,0440Z,2130Z,inspected clean 0320Z",
            "HL3,medium-jet,0440Z,,hangared",
            "HL4,medium-jet,0440Z,2130Z,Treated 0310Z",
            "HL5,medium-jet,0440Z,,cancelled",
            head="flight,aircraft,off_block,arrived,report",
            metar="00000KT CAVOK M04/M04 Q1021",
            taf="1203/1218 VRB02KT CAVOK TX01/1212Z TNM06/1206Z",
        )
    )
    assert found["HL3"].need.kinds[Contamination.FROST] == 0
    assert found["HL2"].need.kinds[Contamination.FROST] <= found["HL1"].need.kinds[Contamination.FROST]
    assert found["HL2"].listed.departure.parked.treated_at == NOW - timedelta(minutes=5)
    assert found["HL4"].why == "Treated."
    assert not to_treat(found["HL4"])
    assert not to_treat(found["HL5"])


def test_who_needs_no_treatment_loads_no_bay():
    dry = made(
        *crowd(10), metar="25018KT 9999 SCT030 06/M04 Q1003", taf="1203/1218 25018KT 9999 SCT030 TX08/1212Z TN05/1206Z"
    )
    assert [line.number for line in dry.lines] == [None] * 10
    assert dry.load == ()
    assert all(amount.p90 == 0 for amount in dry.litres.values())


def test_bays_are_never_busier_than_there_are_bays_and_every_aircraft_begins_once():
    found = made(*crowd(20, 2), members=60)
    for half in found.load:
        assert half.bays_busy.p90 <= half.bays + 0.011
        assert half.rigs_busy.p90 <= half.rigs + 0.011
        assert half.p_broken is None or 0 <= half.p_broken <= 1
        assert half.begins_at.minute in {0, 30}
    assert sum(half.aircraft.p50 for half in found.load) == pytest.approx(20, abs=3)


def test_the_chance_that_one_is_not_covered_is_that_of_its_own_plan():
    """One aircraft: in whichever half hour it begins, the chances add up to what its line says."""
    found = made("HL1,medium-jet,0540Z,pad,Type IV 100/0,snow", head="flight,aircraft,off_block,place,fluid,contamination",
        taf="1203/1218 34008KT 3000 -SN OVC012 TEMPO 1203/1212 0600 +SN TX01/1212Z TNM03/1206Z", members=80)  # fmt: skip
    (line,) = found.lines
    assert 0.02 < line.option.p_within_lower < 0.98, "the scenario must tell the two apart"
    assert sum(half.p_broken for half in found.load) == pytest.approx(1 - line.option.p_within_lower)
    busy = sum(half.aircraft.p50 for half in found.load)
    assert busy == pytest.approx(1, abs=1)


def test_heavier_snow_longer_treatment_and_shorter_holdover_meet_in_the_same_members():
    """Members in which more has fallen are sprayed for longer, and are those whose time is shorter."""
    case = case_of(
        read("HL1,medium-jet,0740Z")[0].departure, fleet().profiles["medium-jet"], shipped(),
        ahead_of([(replace(weather(SNOW, "1203/1218 34008KT 0800 SN VV003 BECMG 1203/1207 9999 NSW TX01/1212Z TNM03/1206Z"),
        until=NOW + timedelta(hours=8)), TANK_FULL)], members=200)[0], NOW,
    )  # fmt: skip
    legs = reach_of(case, shipped().at(Place.PAD)[0], two_steps=True).legs
    lies = case.lies_at(case.off_block)
    deep = lies == LYING.index(Contamination.DEEP_SNOW)
    assert 0.05 < deep.mean() < 0.95
    assert legs.first_step[deep].mean() > 1.5 * legs.first_step[~deep].mean()


def test_a_crowd_waits_longer_is_spread_over_the_places_and_takes_off_later():
    few, many = (made(*crowd(count, gap), metar=FROST[0], taf=FROST[1]) for count, gap in ((6, 20), (24, 1)))
    assert max(line.wait_min.p50 for line in few.lines) == 0
    assert max(line.wait_min.p50 for line in many.lines) > 5
    assert len({line.option.place for line in many.lines}) > 1


def test_places_and_fluids_that_are_fixed_are_kept():
    found = by_name(
        made(
            "HL1,medium-jet,0540Z,stand,Type IV 100/0", "HL2,medium-jet,0545Z,After push,", "HL3,medium-jet,0550Z,PAD,",
            head="flight,aircraft,off_block,place,fluid",
        )
    )  # fmt: skip
    assert [found[name].option.place for name in ("HL1", "HL2", "HL3")] == [Place.STAND, Place.AFTER_PUSH, Place.PAD]
    assert found["HL1"].option.fluid.mix == "100/0"


def test_a_slot_is_held_against_the_expected_take_off():
    found = by_name(
        made("HL1,medium-jet,0540Z,0630Z", "HL2,medium-jet,0541Z,0545Z", head="flight,aircraft,off_block,ctot")
    )
    assert found["HL1"].option.p_slot > 0.9
    assert found["HL2"].option.p_slot < 0.1


def test_litres_rise_with_size_and_are_those_of_the_file_for_the_half_of_the_members():
    found = by_name(
        made(
            "HL1,small-jet,0540Z,pad,Type IV 100/0,snow", "HL2,medium-jet,0640Z,pad,Type IV 100/0,snow",
            "HL3,medium-jet,0740Z,pad,Type I 60/40,snow", head="flight,aircraft,off_block,place,fluid,contamination", members=99,
        )
    )  # fmt: skip
    # rules/aircraft.toml: small 160 + 80, medium 320 + 150; a single step takes the first figure alone.
    assert [found[name].litres.p50 for name in ("HL1", "HL2", "HL3")] == pytest.approx([240, 470, 320], rel=0.02)


def test_tables_out_of_season_give_no_figure_of_protection_anywhere():
    found = made(*crowd(4), training=False)
    rows = as_rows(found)
    assert {(row["holdover_lower_min"], row["p_within_lower"], row["verdict"]) for row in rows} == {("", "", "")}
    assert {half.p_broken for half in found.load} <= {None, 0.0}
    assert tuple(rows[0]) == CSV_COLUMNS


def test_off_block_that_is_past_is_left_out_and_said():
    found = made("HL1,medium-jet,0300Z", "HL2,medium-jet,0540Z")
    assert list(by_name(found)) == ["HL2"]
    assert any("HL1" in note for note in found.notes)


def test_an_unknown_aircraft_a_fluid_and_a_contradiction_are_said_at_once():
    with pytest.raises(UsageError) as caught:
        made(
            "HL1,medium-jt,0540Z,,", "HL2,small-jet,0545Z,Type V,", "HL3,small-jet,0550Z,,0500Z",
            head="flight,aircraft,off_block,fluid,ctot",
        )  # fmt: skip
    told = str(caught.value)
    assert "did you mean medium-jet?" in told
    assert 'fluid "Type V"' in told
    assert "slot 2026-01-12T05:00:00Z ends before off-block" in told


def test_a_file_is_read_whatever_stands_between_its_columns_and_however_they_are_called():
    text = "\ufeffCallsign; Aircraft ;STD;Hangar Exit;Slot\r\n HL1;small-jet;06:40 local;0300Z;0600Z\r\n;;;;\r\nHL2;small-jet;06:45 Europe/Oslo;;\r\nHL3;small-jet;2026-01-12T05:50Z;;\r\n"
    found = parse_departures(text, "list.csv", now=NOW, zones=ZONES, station="XNOR")
    assert [each.departure.name for each in found] == ["HL1", "HL2", "HL3"]
    assert [clock_z(each.departure.tobt) for each in found] == ["0540Z", "0545Z", "0550Z"]
    assert found[0].departure.parked == Aircraft(hangar_exit_at=NOW.replace(hour=3, minute=0))
    assert found[0].departure.ctot == NOW.replace(hour=6, minute=0)


@pytest.mark.parametrize(
    ("written", "hour"), [("2000Z", 20), ("0540Z", 5), ("5:40Z", 5), ("05:40 UTC", 5), ("23:10Z", 23)]
)
def test_times_of_day_are_the_ones_that_fit_the_morning(written, hour):
    listed = read(f"HL1,small-jet,{written}")[0]
    assert listed.departure.tobt.hour == hour
    assert NOW - timedelta(hours=4) <= listed.departure.tobt < NOW + timedelta(hours=20)


def test_everything_that_is_wrong_in_a_file_is_said_at_once():
    with pytest.raises(UsageError) as missing:
        parse_departures("flight,fluid\nHL1,x\n", "list.csv", now=NOW, zones=ZONES)
    for column in ("aircraft", "off_block", "station"):
        assert f'the column "{column}" is missing' in str(missing.value)
    with pytest.raises(UsageError) as wrong:
        read(
            "HL1,small-jet,0540,,", "HL2,small-jet,0541Z,roof,", ",small-jet,0542Z,,", "HL4,small-jet,2510Z,,clean",
            "HL5,small-jet,0540Z,,washed", "HL5,small-jet,0540 Mars/Base,,", "HL6,small-jet,0540Z,,inspected clean",
            "HL7,small-jet,0540Z,,", "HL7,small-jet,0540Z,,",
            head="flight,aircraft,off_block,place,report",
        )  # fmt: skip
    told = str(wrong.value)
    for part in (
        "line 2: off_block", "does not say whether it is Z or local", 'line 3: place: "roof"', "line 4: flight", "line 5: off_block",
        'line 6: report: "washed"', '"Mars/Base" is no time zone', 'line 8: report: "inspected clean" says no time',
        'the departure "HL7" stands twice',
    ):  # fmt: skip
        assert part in told


_CELLS = st.one_of(
    st.sampled_from(
        [
            "HL1",
            "medium-jet",
            "0540Z",
            "06:40 local",
            "2460Z",
            "9999-99-99T99:99Z",
            "pad",
            "inspected clean 0300Z",
            "treated",
            "",
            "-4",
            "nan",
        ]
    ),
    st.text(max_size=12),
)
_ROWS = st.lists(st.lists(_CELLS, max_size=9).map(",".join), max_size=5)


@given(st.sampled_from(["flight,aircraft,off_block,place,report,fuel_c,arrived,ctot,runway", "a;b", ""]), _ROWS)
def test_whatever_a_file_holds_it_is_read_or_refused_in_words(head, rows):
    found, problems = (), ()
    try:
        found = read(*rows, head=head)
    except UsageError as error:
        problems = error.problems
    assert all(str(problem).startswith("list.csv") for problem in problems)
    for each in found:
        assert each.departure.tobt.tzinfo is not None
        assert each.departure.name


def test_a_report_back_says_when():
    listed = read("HL1,small-jet,0540Z,inspected clean 0310Z", head="flight,aircraft,off_block,report")[0]
    assert (listed.progress, clock_z(listed.progress_at)) == (Progress.CLEAN, "0310Z")
