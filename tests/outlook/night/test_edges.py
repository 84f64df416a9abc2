"""The awkward nights, by the numbers of the model's list of edge cases."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import pytest

from tests.outlook.night.asking import EVENING, answer, moment, question, width
from watcher.outlook.night.ensemble import nights

CLEAR = "00000KT CAVOK M01/M02 Q1021"
TAF = "1218/1318 VRB02KT CAVOK TNM05/1306Z"


def part(night, name="dry_bay"):
    return next(part for part in night.parts if part.part == name)


def test_1_rain_before_the_frost_leaves_water_that_freezes_in_dry_air():
    dry = answer("00000KT CAVOK M01/M12 Q1021", TAF, history=(moment(1, 1), moment(0.5, 0)))
    wet = answer("00000KT CAVOK M01/M12 Q1021", TAF, history=(moment(1, 1, falls=True, wet=True), moment(0.5, 0)))
    assert part(dry).steps[0].p_frozen_residual == 0
    assert part(wet).steps[0].p_frozen_residual > 0.9
    assert part(wet).steps[0].p_active_frost < 0.05
    assert any("Water left on the wing" in note for note in wet.notes)


def test_1_wind_and_dry_air_take_the_water_away():
    rain = (moment(1, 3, falls=True, wet=True), moment(0.5, 3))
    calm = answer("00000KT CAVOK 02/01 Q1021", TAF, history=rain)
    windy = answer("27020KT CAVOK 02/M08 Q1021", "1218/1318 27020KT CAVOK TNM05/1306Z", history=rain)
    assert part(windy).steps[6].p_frozen_residual < part(calm).steps[6].p_frozen_residual - 0.3


@pytest.mark.parametrize("weather", ["-SN", "SG", "PL", "GR", "-FZRA", "FZDZ", "+RASN"])
def test_2_precipitation_that_freezes_or_settles_is_said_and_stops_the_frost_clock(weather):
    night = answer(f"00000KT 4000 {weather} OVC010 M02/M03 Q1010", "1218/1318 VRB02KT CAVOK TNM05/1306Z")
    step = part(night).steps[1]
    assert step.p_precipitation > 0.9
    assert step.p_deposit > 0.9
    assert step.p_active_frost < 0.1
    assert any("Snow or freezing precipitation on the wing likely" in note for note in night.notes)


def test_2_snow_since_arrival_counts_and_snow_before_it_does_not():
    snow = (moment(3, -2, falls=True, wet=False), moment(2, -2), moment(1, -2))
    before = answer(CLEAR, TAF, history=snow, arrived_at=EVENING - timedelta(hours=1, minutes=30))
    since = answer(CLEAR, TAF, history=snow, arrived_at=EVENING - timedelta(hours=4))
    assert part(since).steps[0].p_precipitation > 0.9
    assert part(before).steps[0].p_precipitation == 0


def snow_until(hours, back=11):
    """Return half-hourly reports of the past: snow at -5 °C until so many hours ago, none since."""
    ago = [back - 0.5 * number for number in range(2 * back)]
    return tuple(moment(each, -5, falls=each > hours, wet=False) for each in ago)


@pytest.mark.parametrize("hours", [7, 10])
def test_2_snow_that_ended_long_ago_still_lies_on_a_wing_that_stood_there(hours):
    cold = ("20008KT 9999 OVC040 M05/M08 Q1010", "1218/1318 20008KT 9999 OVC040 TNM06/1306Z")
    stood = answer(*cold, history=snow_until(hours), arrived_at=EVENING - timedelta(hours=11, minutes=30))
    assert part(stood).steps[0].p_precipitation > 0.9
    assert part(stood).steps[0].p_deposit > 0.9
    assert not any("not known" in note and "fell on it" in note for note in stood.notes)
    came = answer(*cold, history=snow_until(hours), arrived_at=EVENING - timedelta(hours=hours - 1))
    assert part(came).steps[0].p_precipitation == 0


@pytest.mark.parametrize(
    ("hours", "back", "said"), [(15, 11, "0300Z"), (9, 5, "0900Z"), (5.5, 5, None), (11, 11, None)]
)
def test_2_a_stay_that_began_before_the_reports_gone_through_is_said(hours, back, said):
    stay = {"history": snow_until(20, back), "arrived_at": EVENING - timedelta(hours=hours)}
    gaps = [note for note in answer(CLEAR, TAF, **stay).notes if "what fell on it before is not known" in note]
    assert [said in note for note in gaps] == ([True] if said else [])
    cleaned = answer(CLEAR, TAF, **stay, treated_at=EVENING - timedelta(hours=1))
    assert not any("what fell on it" in note for note in cleaned.notes)


def test_2_freezing_fog_leaves_rime_though_the_skin_is_no_colder_than_the_air():
    night = answer("00000KT 0200 FZFG VV001 M03/M03 Q1030", "1218/1318 VRB02KT 0200 FZFG VV001 TNM03/1306Z")
    assert part(night).steps[2].p_active_frost > 0.95
    assert part(night).p_deposit > 0.9


def test_3_snow_on_the_ground_cools_the_wing_from_below():
    bare = answer("METAR XNOR 121800Z AUTO 00000KT CAVOK M01/M06 Q1021")
    white = answer("METAR XNOR 121800Z AUTO 00000KT CAVOK M01/M06 Q1021 RMK AO2 4/004")
    assert any("Snow lies on the ground" in note for note in white.notes)
    assert 0.2 < part(bare).steps[0].skin_c.p50 - part(white).steps[0].skin_c.p50 < 1.0


@pytest.mark.parametrize("sky", ["0300 FG OVC001", "0300 FG VV001", "0800 BR VV002"])
def test_4_fog_keeps_the_skin_at_the_airs_temperature(sky):
    step = part(answer(f"00000KT {sky} 02/02 Q1021")).steps[0]
    assert abs(step.skin_c.p50 - step.temp_c.p50) < 0.5


def test_4_patches_of_fog_lie_between_fog_and_none():
    frost = [
        part(answer(f"00000KT {sky} 03/02 Q1021")).steps[0].skin_c.p50
        for sky in ("NSC", "3000 BCFG NSC", "0300 FG VV001")
    ]
    assert frost[0] < frost[1] < frost[2]


def test_5_frost_outlasts_the_sunrise_and_ends_with_an_interval():
    night = answer("00000KT CAVOK M01/M02 Q1021", "1218/1318 VRB02KT CAVOK TNM04/1308Z TX02/1313Z", hours=19.5)
    bay = part(night)
    sunrise = datetime(2026, 1, 13, 8, 0, tzinfo=UTC)
    assert bay.end.p50 is not None
    assert bay.end.p50 > sunrise
    assert bay.end.p10 < bay.end.p50
    assert bay.deposit_end.p50 is None or bay.deposit_end.p50 > bay.end.p50


def test_6_a_treated_wing_is_clean_and_at_the_airs_temperature_then_frosts_again():
    treated = EVENING + timedelta(hours=4)
    steps = {step.at: step for step in part(answer(CLEAR, TAF, treated_at=treated)).steps}
    assert steps[treated - timedelta(minutes=30)].p_deposit > 0.8
    assert steps[treated].p_deposit == 0
    assert abs(steps[treated].skin_c.p50 - steps[treated].temp_c.p50) < 0.3
    assert steps[treated + timedelta(minutes=30)].p_active_frost > 0.8
    assert steps[treated + timedelta(hours=2)].p_deposit > 0.8


def test_7_a_wing_out_of_a_hangar_is_dry_and_warm_then_frosts_within_the_hour():
    out = EVENING + timedelta(hours=3)
    night = answer(CLEAR, TAF, hangar_exit_at=out, hangar_c=15.0)
    steps = {step.at: step for step in part(night).steps}
    assert steps[out - timedelta(minutes=30)].p_active_frost == 0
    assert steps[out].skin_c.p50 == pytest.approx(15, abs=1)
    assert steps[out + timedelta(hours=1)].p_active_frost > 0.8
    assert part(night, "tank_full").p_any < 0.2


def test_7_fuel_stays_as_warm_as_the_hangar_until_it_leaves():
    soon, late = (
        part(answer(CLEAR, TAF, hours=14, hangar_exit_at=EVENING + timedelta(hours=hours), hangar_c=15.0), "tank_full")
        for hours in (1, 8)
    )
    skins = [
        {step.at: step.skin_c.p50 for step in tank.steps}[EVENING + timedelta(hours=hours)]
        for tank, hours in ((soon, 3), (late, 10))
    ]
    assert skins[0] > 6
    assert skins[1] == pytest.approx(skins[0], abs=1.5)


def test_7_a_hangar_of_unknown_temperature_widens_and_is_said():
    out = EVENING + timedelta(hours=3)
    night = answer(CLEAR, TAF, hangar_exit_at=out)
    steps = {step.at: step for step in part(night).steps}
    assert steps[out].skin_c.p90 - steps[out].skin_c.p10 > 8
    assert any("hangar's temperature is not known" in note for note in night.notes)


def test_8_warm_fuel_saves_the_full_tank_only():
    night = answer("00000KT CAVOK 02/M01 Q1021", TAF, fuel_c=10.0, hours=6)
    chances = {part.part: part.p_any for part in night.parts}
    assert chances["tank_full"] < 0.1
    assert chances["dry_bay"] > 0.9
    assert night.worst_part == "dry_bay"
    assert night.p_any == chances["dry_bay"]


def test_9_cold_soaked_fuel_frosts_the_tank_in_warm_moist_air():
    cold = answer("27005KT 9999 OVC020 08/06 Q1010", hours=1, fuel_c=-15.0)
    assert part(cold, "tank_full").p_any > 0.9
    assert part(cold, "dry_bay").p_any == 0
    assert cold.worst_part == "tank_full"


def test_9_unknown_fuel_is_said_and_taken_as_a_range():
    night, known = answer(CLEAR, TAF), answer(CLEAR, TAF, fuel_c=-1.0)
    spread = [part(n, "tank_full").steps[0].skin_c for n in (night, known)]
    assert any("fuel's temperature is not known" in note for note in night.notes)
    assert spread[0].p90 - spread[0].p10 > 3 * (spread[1].p90 - spread[1].p10)


def test_10_frost_forms_above_zero_air_when_the_sky_is_clear():
    assert part(answer("00000KT CAVOK 02/M01 Q1021")).steps[0].p_active_frost > 0.8


def test_10_dew_that_freezes_is_counted():
    night = answer("00000KT CAVOK 04/03 Q1021", "1218/1318 VRB02KT CAVOK TN00/1306Z")
    assert part(night).p_any > 0.8


def test_10_a_dew_point_above_the_temperature_is_no_dew_point():
    impossible, missing = answer("00000KT CAVOK M05/M01 Q1021", TAF), answer("00000KT CAVOK M05/// Q1021", TAF)
    assert impossible.parts == missing.parts
    assert any("dew point is not known" in note for note in impossible.notes)


def test_10_a_missing_dew_point_widens_and_is_said():
    known, missing = answer("00000KT CAVOK M01/M03 Q1021", TAF), answer("00000KT CAVOK M01/// Q1021", TAF)
    points = [part(night).steps[0].frost_point_c for night in (known, missing)]
    assert any("dew point is not known" in note for note in missing.notes)
    assert points[1].p90 - points[1].p10 > 2 * (points[0].p90 - points[0].p10)


def test_11_calm_and_light_variable_wind_are_nearly_the_same_and_gusts_do_not_count():
    calm, light = answer("00000KT CAVOK 01/M03 Q1021"), answer("VRB01KT CAVOK 01/M03 Q1021")
    mean, gusty = answer("27010KT CAVOK 01/M03 Q1021"), answer("27010G25KT CAVOK 01/M03 Q1021")
    assert part(light).steps[0].skin_c.p50 == pytest.approx(part(calm).steps[0].skin_c.p50, abs=0.4)
    assert part(gusty).steps[0] == part(mean).steps[0]


def test_11_a_missing_wind_widens_and_is_said():
    night = answer("/////KT CAVOK M01/M03 Q1021")
    assert any("wind is not known" in note for note in night.notes)
    assert width(night, 0) > width(answer("27005KT CAVOK M01/M03 Q1021"), 0)


@pytest.mark.parametrize("sky", ["CAVOK", "9999 SKC", "9999 NSC", "9999 CLR", "9999 NCD"])
def test_12_nothing_seen_is_nearly_clear_with_a_chance_of_unseen_cloud(sky):
    skin = part(answer(f"00000KT {sky} M01/M08 Q1021")).steps[0].skin_c
    clear = part(answer("00000KT CAVOK M01/M08 Q1021")).steps[0].skin_c
    assert skin == clear


def test_12_a_missing_sky_may_be_anything_and_is_said():
    night = answer("00000KT ////// M01/M08 Q1021")
    assert any("cloud is not known" in note for note in night.notes)
    assert width(night, 0) > 1.3 * width(answer("00000KT CAVOK M01/M08 Q1021"), 0)


PLACES = {
    "polar night": (78.2, 15.5, 30.0, datetime(2026, 12, 20, 18, tzinfo=UTC)),
    "midnight sun": (78.2, 15.5, 30.0, datetime(2026, 6, 20, 18, tzinfo=UTC)),
    "short night": (61.0, 25.0, 100.0, datetime(2026, 6, 20, 20, tzinfo=UTC)),
    "high station": (38.8, -106.9, 2700.0, datetime(2026, 1, 12, 1, tzinfo=UTC)),
    "month end": (60.2, 11.1, 210.0, datetime(2026, 1, 31, 18, tzinfo=UTC)),
    "year end": (60.2, 11.1, 210.0, datetime(2026, 12, 31, 18, tzinfo=UTC)),
    "southern winter": (-54.8, -68.3, 20.0, datetime(2026, 7, 12, 22, tzinfo=UTC)),
}


@pytest.mark.parametrize("case", PLACES)
@pytest.mark.parametrize(
    "report", ["00000KT CAVOK M01/M02 Q1021", "00000KT CAVOK M48/M53 Q1040", "27004KT 9999 SCT030 06/01 Q1001"]
)
def test_13_every_place_season_and_cold_gives_finite_answers(case, report):
    latitude, longitude, elevation, now = PLACES[case]
    night = answer(report, place=(latitude, longitude, elevation), now=now, hours=14)
    for one in night.parts:
        for step in one.steps:
            values = [*step.skin_c, *step.temp_c, *step.frost_point_c, step.p_active_frost, step.p_deposit]
            assert all(math.isfinite(value) for value in values)
            assert step.skin_c.p10 > step.temp_c.p10 - 15
            assert step.frost_point_c.p50 <= step.temp_c.p90 + 6


def test_13_in_the_polar_night_the_temperature_has_no_time_of_day():
    latitude, longitude, elevation, now = PLACES["polar night"]
    night = answer("00000KT CAVOK M10/M14 Q1021", place=(latitude, longitude, elevation), now=now)
    assert part(night).steps[-1].temp_c.p50 == pytest.approx(part(night).steps[0].temp_c.p50, abs=0.3)


def test_13_in_the_midnight_sun_it_warms_while_the_sun_rises():
    latitude, longitude, elevation, now = PLACES["midnight sun"]
    night = answer("00000KT CAVOK M01/M02 Q1021", place=(latitude, longitude, elevation), now=now, hours=17)
    assert part(night).steps[-1].temp_c.p50 > part(night).steps[0].temp_c.p50


def test_13_a_lowest_temperature_that_lies_behind_is_not_used():
    stale, none = (answer("00000KT CAVOK M01/M02 Q1021", f"1206/1318 VRB02KT CAVOK{tn}") for tn in (" TNM15/1207Z", ""))
    assert part(stale).steps[-1].temp_c == part(none).steps[-1].temp_c
    assert any("gives no lowest temperature" in note for note in stale.notes)


def test_13_a_taf_that_ends_before_the_departure_says_so_and_knows_less_after_it():
    whole = answer("00000KT CAVOK M01/M05 Q1021", "1218/1318 VRB02KT CAVOK TNM05/1306Z", hours=14)
    short = answer("00000KT CAVOK M01/M05 Q1021", "1218/1222 VRB02KT CAVOK TNM05/1306Z", hours=14)
    assert any("TAF ends at 2200Z" in note for note in short.notes)
    assert part(short).steps[6].skin_c == part(whole).steps[6].skin_c
    assert width(short) > width(whole)


def test_14_m00_lies_below_zero_and_00_above():
    below, above = (part(answer(f"00000KT 9999 OVC003 {temp}/M01 Q1021")).steps[0].temp_c for temp in ("M00", "00"))
    assert -0.5 <= below.p10 <= below.p90 <= 0
    assert 0 <= above.p10 <= above.p90 <= 0.5


def test_14_tenths_in_the_remarks_narrow_the_answer():
    coarse = answer("METAR XNOR 121800Z AUTO 00000KT 9999 OVC003 M02/M03 Q1021")
    fine = answer("METAR XNOR 121800Z AUTO 00000KT 9999 OVC003 M02/M03 Q1021 RMK AO2 T10211032")
    temps = [part(night).steps[0].temp_c for night in (coarse, fine)]
    assert temps[1].p90 - temps[1].p10 < 0.2 < temps[0].p90 - temps[0].p10
    assert temps[1].p50 == pytest.approx(-2.1, abs=0.02)


def test_15_a_stale_report_widens_and_says_its_age():
    fresh = answer("00000KT CAVOK M01/M03 Q1021")
    stale = answer("METAR XNOR 121450Z 00000KT CAVOK M01/M03 Q1021")
    assert any("190 min old" in note for note in stale.notes)
    assert width(stale, 0) > width(fresh, 0)


def test_15_two_reports_that_disagree_are_both_kept_possible():
    agree = answer("00000KT CAVOK M01/M03 Q1021", history=(moment(0.3, 0),))
    differ = answer("00000KT CAVOK M01/M03 Q1021", history=(moment(0.3, 6),))
    temp = part(differ).steps[0].temp_c
    assert any("differ by more than 3 K" in note for note in differ.notes)
    assert temp.p10 < -0.5
    assert temp.p90 > 5
    assert part(agree).steps[0].temp_c.p90 < 0


def test_15_a_newer_report_replaces_the_forecast_path():
    taf = "1218/1318 VRB02KT CAVOK TNM05/1306Z"
    early = question("00000KT CAVOK 02/M02 Q1021", taf)
    later = question("METAR XNOR 122150Z 00000KT CAVOK M04/M05 Q1021", taf, now=EVENING)
    later = type(later)(
        later.station, later.latest, (), early.forecast, EVENING + timedelta(hours=4), early.until, later.aircraft
    )
    first, second = nights([early, later])
    at_ten = {step.at: step for step in part(first).steps}[EVENING + timedelta(hours=4)]
    assert part(second).steps[0].temp_c.p50 == pytest.approx(-4, abs=0.2)
    assert at_ten.temp_c.p50 > -3
