from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from tests.treatment.at_hand import fluid_rules
from tests.treatment.at_hand import shipped as tables
from tests.treatment.departing import (
    NOW,
    OFF_BLOCK,
    SNOW,
    STEADY,
    after,
    departure,
    fixed,
    option,
    planned,
    profile,
    shipped,
    weather,
)
from watcher.errors import UsageError
from watcher.outlook.night.ensemble import nights
from watcher.outlook.night.model import Aircraft
from watcher.treatment.case import asked_of, part_of
from watcher.treatment.cover import covers
from watcher.treatment.holdover import look_up
from watcher.treatment.kinds import Contamination, Flaps, Tank
from watcher.treatment.lookups import Lookups
from watcher.treatment.planned import Verdict
from watcher.treatment.question import HoldoverQuestion, Outcome
from watcher.treatment.weather_ahead import LYING, ahead_of
from watcher.units import clock_z

DRY = "34008KT 9999 SCT030 M02/M09 Q1003"


def _ahead(metar, taf, members=40, aircraft=None):
    question = asked_of(departure(), weather(metar, taf), NOW)
    return ahead_of([(question, part_of(aircraft or profile()))], members=members)[0]


def test_frost_and_snow_on_the_aircraft_are_those_of_the_frost_forecast_member_by_member():
    """The same members: `nights` is held to measurements in tests of its own."""
    for metar, taf in (
        (SNOW, "1203/1212 34008KT 3000 -SN OVC012 TEMPO 1203/1208 9999 NSW"),
        ("00000KT CAVOK M02/M03 Q1021", None),
    ):
        question = asked_of(departure(), weather(metar, taf), NOW)
        ahead = ahead_of([(question, part_of(profile()))], members=60)[0]
        part = next(each for each in nights([question], members=60)[0].parts if each.part == "tank_full")
        for step in part.steps:
            index = int(ahead.step_of(np.array(ahead.minutes(step.at))))
            assert ahead.frost[index].mean() == pytest.approx(step.p_active_frost, abs=1e-6)
            lies = ahead.lies[index] > 0
            assert lies.mean() >= max(step.p_deposit, step.p_frozen_residual, step.p_precipitation) - 1e-6


def test_the_chance_is_that_of_looking_up_every_member_at_every_step():
    """Against plain look-ups, one for each member and ten minutes, without any of the sharing."""
    taf = "1203/1212 34008KT 3000 -SN OVC012 TEMPO 1205/1207 1200 SN BECMG 1205/1207 9999 NSW TNM04/1205Z"
    ahead, jet = _ahead(SNOW, taf), profile()
    fluid = next(each for each in fixed().fluids if each.type.value == "Type IV")
    stream = np.random.default_rng(3)
    starts = stream.uniform(130, 150, ahead.members)
    offs = starts + stream.uniform(5, 60, ahead.members)
    lookups = Lookups(ahead, tables(), fluid_rules(), NOW, training=True)
    cover = covers(lookups, [fluid], jet, starts, offs)[0]
    within = []
    for member in range(ahead.members):
        shortest = np.inf
        for step in range(int(starts[member] // 10), int(offs[member] // 10) + 1):
            falling = ahead.falling[ahead.falls[step, member]]
            temp_c = float(ahead.temp_c[step, member])
            answer = look_up(
                HoldoverQuestion(
                    fluid.type, fluid.mix, temp_c, temp_c, falling.weather, falling.visibility_m,
                    falling.visibility_bound, bool(ahead.night[step]), jet.wing_material,
                    active_frost=bool(ahead.frost[step, member]),
                ),
                tables(), NOW, training=True,
            )  # fmt: skip
            told = {Outcome.NOT_NEEDED: np.inf, Outcome.TIME: answer.lower_min}.get(answer.outcome, -1)
            shortest = min(shortest, told)
        within.append(offs[member] - starts[member] <= shortest)
    assert 0.05 < np.mean(within) < 0.95, "the scenario must tell the two apart"
    assert cover.within_lower.tolist() == within
    assert cover.p_within_lower == pytest.approx(np.mean(within))


def test_the_weather_on_the_way_counts_and_not_that_of_now():
    turns_bad = "1203/1218 34008KT 9999 SCT030 FM120500 34008KT 0600 +SN VV003"
    turns_good = "1203/1218 34008KT 0600 +SN VV003 FM120400 34008KT 9999 SCT030 TX01/1212Z TNM03/1206Z"
    bad = option(planned(DRY, turns_bad, tobt=OFF_BLOCK.replace(hour=9), fluid="Type IV 100/0"), "stand")
    good = option(planned(SNOW, turns_good, tobt=OFF_BLOCK.replace(hour=9), fluid="Type IV 100/0"), "stand")
    assert bad.p_no_time > 0.8
    assert good.p_no_time < 0.2
    assert good.verdict is Verdict.FITS


def test_the_clock_ends_so_long_after_the_start_of_the_final_application():
    pad = option(planned(fluid="Type IV 100/0"), "pad")
    begins = next(stage for stage in pad.stages if stage.name == "final application").begins.p50
    # By hand: 0602 and a half; the clock is put to the minute before.
    assert (clock_z(begins), clock_z(pad.clocks.starts_at)) == ("0603Z", "0602Z")
    assert pad.clocks.lower_ends_at == pad.clocks.starts_at + timedelta(minutes=pad.holdover.lower_min)
    assert pad.clocks.upper_ends_at == pad.clocks.starts_at + timedelta(minutes=pad.holdover.upper_min)
    assert pad.holdover.lower_min < pad.holdover.upper_min


def test_the_place_whose_way_is_short_enough_is_chosen_and_the_sentence_names_the_others():
    made = planned(fluid="Type IV 100/0")
    assert made.choice.place == "pad"
    assert "Elsewhere: stand" in made.why
    assert option(made, "pad").p_within_lower > option(made, "stand").p_within_lower


@pytest.mark.parametrize("falls", ["FZRA", "+SN", "+FZRA", "PL"])
def test_where_no_holdover_time_exists_there_is_no_number_and_no_choice(falls):
    made = planned(
        f"34008KT 0600 {falls} OVC003 M02/M03 Q1003", f"1203/1218 34008KT 0600 {falls} OVC003 TX01/1212Z TNM03/1206Z"
    )
    assert made.choice is None
    for place in ("stand", "pad"):
        found = option(made, place)
        assert found.verdict is Verdict.DOES_NOT_FIT
        assert (found.p_within_lower, found.p_within_upper) == (None, None)
        assert (found.holdover.lower_min, found.holdover.upper_min) == (None, None)
        assert (found.clocks.lower_ends_at, found.clocks.upper_ends_at) == (None, None)
    assert "No holdover time exists" in made.why


def test_tables_out_of_season_give_times_of_the_steps_and_nothing_else():
    made = planned(training=False)
    pad = option(made, "pad")
    assert made.choice is None
    assert pad.take_off is not None
    assert (pad.verdict, pad.p_within_lower, pad.p_no_time, pad.holdover.lower_min) == (None, None, None, None)
    assert pad.holdover.outcome is Outcome.OUT_OF_SEASON
    assert not made.training
    assert planned(training=True).training


def test_without_a_taf_the_report_counts_for_an_hour_and_then_there_is_no_answer():
    made = planned(SNOW, None)
    assert made.choice is None
    assert option(made, "pad").p_within_lower is None
    assert made.need is None
    assert any("No TAF" in note for note in made.notes)
    soon = planned(
        SNOW, None, tobt=NOW + timedelta(minutes=12), fluid="Type IV 100/0", contamination=Contamination.SNOW
    )
    assert option(soon, "after-push").p_within_lower is not None


def test_of_two_that_may_come_at_once_the_one_with_the_least_visibility_counts():
    both = "1203/1218 34008KT 9999 SCT030 PROB40 1203/1218 0600 +SN PROB30 1203/1218 5000 -SN TX01/1212Z TNM03/1206Z"
    turned = "1203/1218 34008KT 9999 SCT030 PROB30 1203/1218 5000 -SN PROB40 1203/1218 0600 +SN TX01/1212Z TNM03/1206Z"
    for taf in (both, turned):
        ahead = _ahead(DRY, taf, members=100)
        heavy = [each.weather == ("+SN",) for each in ahead.falling]
        assert np.array(heavy)[ahead.falls[-1]].mean() == pytest.approx(0.4, abs=0.1)


def test_a_report_that_may_hide_what_falls_leaves_need_and_protection_open():
    made = planned(
        "AUTO 34008KT 9999 // OVC012 M02/M03 Q1003", STEADY.replace("-SN ", ""), tobt=NOW + timedelta(minutes=30)
    )
    assert made.need is None
    assert option(made, "after-push").p_within_lower is None


def test_a_taf_that_ends_before_the_take_off_gives_no_answer():
    assert option(planned(SNOW, "1203/1205 34008KT 3000 -SN OVC012"), "pad").p_within_lower is None


def test_without_any_temperature_there_is_no_answer():
    made = planned(None, "1203/1212 34008KT 3000 -SN OVC012")
    assert made.options == ()
    assert "No temperature" in made.why


def test_everything_that_contradicts_itself_or_is_not_known_is_said_at_once():
    with pytest.raises(UsageError) as caught:
        planned(tsat=after(-5), ctot=after(-30), fluid="Type V 100/0", runway="36")
    told = str(caught.value)
    for part in ("TSAT", "slot", 'fluid "Type V 100/0"', 'runway "36"'):
        assert part in told
    with pytest.raises(UsageError, match="is not ahead"):
        planned(tobt=NOW - timedelta(minutes=1))
    with pytest.raises(UsageError, match="too far ahead"):
        planned(tobt=NOW + timedelta(hours=31))
    with pytest.raises(UsageError, match=r"arrived .* after off-block"):
        planned(parked=Aircraft(arrived_at=after(1)))


def test_below_the_lowest_temperature_of_use_a_fluid_gives_no_time():
    cold = planned(
        "34008KT 3000 -SN OVC012 M34/M36 Q1003",
        "1203/1218 34008KT 3000 -SN OVC012 TXM33/1212Z TNM35/1206Z",
        fluid="Type I 60/40",
    )
    stand = option(cold, "stand")
    assert stand.verdict is Verdict.DOES_NOT_FIT
    assert "must not be used below -28" in stand.why
    assert stand.holdover.lower_min is None


def test_a_fluid_whose_lowest_temperature_is_not_known_is_not_judged():
    bare = tuple(replace(each, acceptance_c=None) for each in fixed().fluids)
    made = planned(at=replace(fixed(), fluids=bare))
    assert option(made, "pad").verdict is None
    assert any("not known, so they cannot be used" in note for note in made.notes)


def test_what_a_person_has_seen_on_it_counts_before_what_is_computed():
    assert planned(contamination=Contamination.ICE).need.kinds[Contamination.ICE] == 1.0
    slow = shipped()
    ice = option(planned(at=slow, contamination=Contamination.ICE, fluid="Type IV 100/0"), "pad")
    frost = option(planned(at=slow, contamination=Contamination.FROST, fluid="Type IV 100/0"), "pad")
    assert ice.take_off.p50 > frost.take_off.p50


def test_freezing_rain_before_leaves_ice_and_a_night_of_snow_leaves_deep_snow():
    rain = _ahead(
        "34008KT 4000 -FZRA OVC012 M02/M03 Q1003", "1203/1218 34008KT 4000 -FZRA OVC012 TX01/1212Z TNM03/1206Z"
    )
    snow = _ahead(SNOW, "1203/1218 34008KT 0800 SN VV003 TX01/1212Z TNM03/1206Z")
    assert (rain.lies[12] == LYING.index(Contamination.ICE)).mean() > 0.9
    assert (snow.lies[6] == LYING.index(Contamination.SNOW)).mean() > 0.9
    assert (snow.lies[-1] == LYING.index(Contamination.DEEP_SNOW)).mean() > 0.9


def test_a_clear_cold_night_leaves_frost_and_dry_air_nothing():
    frosty = planned("00000KT CAVOK M02/M03 Q1021", "1203/1218 VRB02KT CAVOK TX01/1212Z TNM05/1206Z")
    dry = planned("25018KT 9999 SCT030 06/M04 Q1003", "1203/1218 25018KT 9999 SCT030 TX08/1212Z TN05/1206Z")
    assert frosty.need.kinds[Contamination.FROST] > 0.3
    assert dry.need.p_any < 0.05
    assert "not expected" in dry.why


def test_flaps_set_during_the_treatment_shorten_the_time_and_unknown_counts_as_set():
    plain = option(planned(fluid="Type IV 100/0"), "pad").holdover.lower_min
    for flaps in (Flaps.EXTENDED, None):
        shorter = planned(fluid="Type IV 100/0", aircraft=profile(flaps_during_treatment=flaps))
        assert option(shorter, "pad").holdover.lower_min == plain * 76 // 100


def test_the_full_tank_is_looked_at_unless_the_fuel_is_clear_of_the_skin():
    assert part_of(profile(tank=None)).name == part_of(profile(tank=Tank.TO_UPPER_SKIN)).name == "tank_full"
    assert part_of(profile(tank=Tank.CLEAR_OF_SKIN)).name == "dry_bay"


def test_a_plan_made_again_is_the_same_plan():
    assert planned(SNOW, STEADY, at=shipped()) == planned(SNOW, STEADY, at=shipped())
