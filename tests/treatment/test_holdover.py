"""The look-up: what it answers, what it refuses, and what it says beside a figure."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from tests.treatment.at_hand import HEAD, NOW, asked, own_set, shipped, told, with_own
from watcher.rulebook.words import NoTime
from watcher.treatment.holdover import Outcome, as_contract, look_up
from watcher.treatment.words import FluidType, Surface


def minutes(answer):
    return answer.lower_min, answer.upper_min


def test_a_table_out_of_season_gives_no_minutes_outside_training():
    question = asked("FZFG", -2.0)
    answer = told(question, training=False)
    assert (answer.outcome, minutes(answer), answer.current) == (Outcome.OUT_OF_SEASON, (None, None), False)
    assert answer.column == "freezing_fog"
    assert "out of season" in answer.why
    trained = told(question)
    assert minutes(trained) == (65, 135)
    assert trained.training
    assert trained.caution.startswith("For training only")


def test_a_shipped_table_is_not_in_force_even_in_its_own_winter():
    answer = look_up(asked("FZFG", -2.0), shipped(), datetime(2004, 1, 12, tzinfo=UTC))
    assert (answer.outcome, answer.current) == (Outcome.OUT_OF_SEASON, False)


def test_a_table_in_force_gives_minutes_and_old_ones_are_left_alone():
    answer = told(asked("FZFG", -2.0), with_own(), training=False)
    assert (answer.outcome, minutes(answer), answer.current) == (Outcome.TIME, (60, 120), True)
    assert (answer.table, answer.season, answer.authority, answer.basis) == ("Type IV", "2025-26", "Own", "official")
    assert not answer.training
    assert "training" not in answer.caution
    assert answer.asked == ("own-2025-26: Type IV",)


@pytest.mark.parametrize("day", ["2025-09-30", "2026-06-01"])
def test_a_day_before_or_after_its_validity_a_table_is_not_current(day):
    now = datetime.fromisoformat(f"{day}T12:00:00Z")
    answer = look_up(asked("FZFG", -2.0), with_own(), now)
    assert (answer.outcome, answer.current) == (Outcome.OUT_OF_SEASON, False)
    assert look_up(asked("FZFG", -2.0), with_own(), now.replace(month=1, day=1, year=2026)).current


def test_the_snow_chart_must_be_in_force_too():
    no_chart = HEAD[: HEAD.index('[[table]]\nfile = "snow.csv"')]
    question = asked("-SN", -5.0, visibility_m=2500)
    answer = told(question, with_own(own_set(no_chart)), training=False)
    assert (answer.outcome, answer.current, minutes(answer)) == (Outcome.OUT_OF_SEASON, False, (None, None))
    assert minutes(told(question, with_own(), training=False)) == (40, 60)


def test_what_has_no_time_in_any_season_is_told_without_a_table_in_force():
    answer = told(asked("FZRA", -2.0), training=False)
    assert (answer.outcome, answer.no_time, minutes(answer)) == (Outcome.NONE, NoTime.NONE, (None, None))


@pytest.mark.parametrize(
    ("weather", "no_time"),
    [
        ("FZRA", NoTime.NONE),
        ("+FZRA", NoTime.NONE),
        ("+FZDZ", NoTime.NONE),
        ("-FZRASN", NoTime.NONE),
        ("-FZDZ -SN", NoTime.NONE),
        ("RASN", NoTime.NONE),
        ("GR", NoTime.NONE),
        ("UP", NoTime.NONE),
        ("FZUP", NoTime.NONE),
        ("+PL", NoTime.NONE),
        ("+SN", NoTime.SPECIAL),
        ("+SHSN", NoTime.SPECIAL),
        ("-PL", NoTime.ALLOWANCE),
        ("PL", NoTime.ALLOWANCE),
        ("-SHGS", NoTime.ALLOWANCE),
        ("-PLSN", NoTime.ALLOWANCE),
        ("-FZRAPL", NoTime.ALLOWANCE),
        ("PLSN", NoTime.NONE),
    ],
)
def test_weather_without_a_holdover_time_gives_its_kind_and_no_minutes(weather, no_time):
    """TP 10643E table 3: heavy snow, pellets, hail, moderate freezing rain; the rest by weather.csv, each with basis."""
    answer = told(asked(weather, -2.0))
    assert (answer.no_time, minutes(answer)) == (no_time, (None, None))
    assert (answer.allowance_min is not None) == (no_time is NoTime.ALLOWANCE)


def test_freezing_drizzle_and_rain_have_no_time_below_minus_10():
    """TP 10643E table 3 and the FAA layout before 2009, footnotes."""
    for weather in ("FZDZ", "-FZRA"):
        assert told(asked(weather, -10.0)).outcome is Outcome.TIME
        assert told(asked(weather, -10.1)).outcome is Outcome.NONE
        assert told(asked(weather, (-10.5, -9.5))).outcome is Outcome.NONE


def test_rain_on_a_cold_soaked_wing_has_a_time_only_above_0():
    """FAA layout before 2009: above 0 °C only. At or below 0 °C rain is taken as freezing."""
    assert told(asked("RA", 2.0)).column == "rain_cold_soaked_wing"
    assert told(asked("RA", 0.0)).outcome is Outcome.NONE
    assert told(asked("RA", (-0.5, 0.5))).outcome is Outcome.NONE
    assert told(asked("-RA", 0.0)).column == "light_freezing_rain"
    assert told(asked("RA", 2.0, cold_soaked_wing=False)).outcome is Outcome.NOT_NEEDED
    assert told(asked("+RA", 2.0)).outcome is Outcome.NONE


def test_a_weak_mix_ends_where_its_rows_end():
    """TP 10643E table 3: 50/50 to -3 °C, 75/25 to -14 °C, 100/0 to -25 °C."""
    for mix, coldest in (("50/50", -3.0), ("75/25", -14.0), ("100/0", -25.0)):
        assert told(asked("FZFG", coldest, mix=mix)).outcome is Outcome.TIME
        assert told(asked("FZFG", coldest - 0.1, mix=mix)).outcome is Outcome.NONE
    assert "at -3.1 °C" in told(asked("FZFG", -3.1, mix="50/50")).why


def test_the_strictest_authority_is_asked_unless_one_is_named():
    question = asked("FZFG", -2.0)
    assert minutes(told(asked("FZFG", -2.0, authority="FAA"))) == (75, 150)
    assert minutes(told(asked("FZFG", -2.0, authority="Transport Canada"))) == (65, 135)
    assert minutes(told(question)) == (65, 135)
    assert told(question).authority == "Transport Canada"
    nobody = told(asked("FZFG", -2.0, authority="Nobody"))
    assert (nobody.outcome, nobody.why[:23]) == (Outcome.UNKNOWN, "There are no tables of ")


def test_the_shorter_ends_may_come_from_two_tables_and_both_are_named():
    """75/25 in snow above 0 °C: 30-65 (Canada, 2003-04) and 20-55 (FAA layout before 2009)."""
    both = told(asked("-SN", 2.0, mix="75/25"))
    assert minutes(both) == (20, 55)
    apart = told(asked("-SN", -1.5, mix="75/25", visibility_m=2500))
    assert minutes(apart) == (20, 50)
    assert apart.authority == "FAA; Transport Canada"


def test_the_parts_of_a_mixture_count_and_the_reason_names_each_that_decides():
    """Rain on a cold-soaked wing 10-50, light freezing rain 25-40 (Type IV 100/0, both copies)."""
    answer = told(asked("-RASN", 1.0))
    assert minutes(answer) == (10, 40)
    assert "RA is looked up as rain on a cold-soaked wing" in answer.why
    assert "RA with SN is looked up as light freezing rain" in answer.why


def test_an_authority_without_a_chart_is_asked_with_the_charts_of_the_others():
    answer = told(asked("-SN", -2.0, fluid=FluidType.II, visibility_m=2500, authority="AEA"))
    assert minutes(answer) == (20, 45)
    assert any("Snowfall by visibility" in name for name in answer.asked)


def test_type_1_is_looked_up_for_both_surfaces_when_none_is_known():
    """FAA tables 1 and 1A, from memory: light snow at -2 °C is 11-18 on aluminium, 6-12 on composite."""
    on = {
        surface: told(asked("-SN", -2.0, fluid=FluidType.I, mix=None, surface=surface, visibility_m=3000))
        for surface in (Surface.ALUMINIUM, Surface.COMPOSITE, Surface.UNKNOWN)
    }
    assert minutes(on[Surface.ALUMINIUM]) == (11, 18)
    assert minutes(on[Surface.COMPOSITE]) == minutes(on[Surface.UNKNOWN]) == (6, 12)
    assert (on[Surface.UNKNOWN].basis, on[Surface.UNKNOWN].confidence) == ("memory", "high")


def test_flaps_set_leave_76_percent_rounded_down():
    """Adjusted tables, from memory: 76 %, rounded down; allowance times too."""
    answer = told(asked("FZFG", -2.0, flaps_set=True))
    assert minutes(answer) == (65 * 76 // 100, 135 * 76 // 100) == (49, 102)
    assert "flaps" in answer.why
    assert told(asked("-PL", -3.0, flaps_set=True)).allowance_min == 19


def test_active_frost_only_where_it_is_asked():
    assert told(asked("", -5.0)).outcome is Outcome.NOT_NEEDED
    answer = told(asked("", -5.0, active_frost=True))
    assert (answer.column, minutes(answer)) == ("active_frost", (600, 600))
    with_snow = told(asked("-SN", -5.0, active_frost=True, visibility_m=2500))
    assert with_snow.column == "snow"
    assert told(asked("", 12.0, active_frost=True)).outcome is Outcome.UNKNOWN


def test_freezing_drizzle_of_an_automatic_station_is_looked_up_as_light_freezing_rain():
    """TP 10643E table 3: the light freezing rain times where freezing drizzle is not positively identified."""
    assert told(asked("FZDZ", -2.0)).column == "freezing_drizzle"
    answer = told(asked("FZDZ", -2.0, automatic=True))
    assert (answer.column, minutes(answer)) == ("light_freezing_rain", (25, 40))
    assert "no observer" in answer.why


def test_fog_and_mist_at_or_below_0_count_as_freezing_fog():
    for weather, temp_c in (("FG", -1.0), ("BR", -1.0), ("BCFG", -1.0), ("IC", -20.0), ("BR", (-0.5, 0.5))):
        assert told(asked(weather, temp_c)).column == "freezing_fog"
    assert told(asked("BR", 1.0)).outcome is Outcome.NOT_NEEDED


def test_freezing_fog_makes_snow_one_intensity_heavier():
    def in_snow(weather: str, visibility_m: float):
        return told(asked(weather, -5.0, fluid=FluidType.III, visibility_m=visibility_m))

    assert in_snow("-SN", 3000).column == "snow_light"
    assert in_snow("-SN FZFG", 3000).column == "snow_moderate"
    assert in_snow("-SN FZFG", 1500).outcome is Outcome.SPECIAL


def test_the_vicinity_counts_for_nothing_and_blown_snow_leaves_it_open():
    assert told(asked("VCSH VCFG", -2.0)).outcome is Outcome.NOT_NEEDED
    assert told(asked("BLSN", -2.0)).outcome is Outcome.UNKNOWN
    assert told(asked("DRSN", -2.0)).outcome is Outcome.UNKNOWN
    assert told(asked("-SN BLSN", -2.0, visibility_m=2500)).outcome is Outcome.TIME


@pytest.mark.parametrize(
    ("question", "why"),
    [
        (asked(None, -2.0), "weather is not known"),
        (asked("-SN", None), "temperature is not known"),
        (asked("-SN", float("nan")), "temperature is not known"),
        (asked("-SN", -2.0, visibility_m=None), "visibility is not known"),
        (asked("-SN", -2.0, visibility_m=-1.0), "cannot be"),
        (asked("-SN", (-1.0, -3.0)), "backwards"),
        (asked("-SN", -2.0, mix=None), "mix of the Type IV fluid is not known"),
        (asked("-SN", -2.0, mix="60/40"), "the mixes are"),
        (asked("//", -2.0), "unseen"),
        (asked("-SN FZ//", -2.0), "sensor is off"),
        (asked("-SNX", -2.0), "cannot be read"),
        (asked("FZRA", 8.0), "FZRA has no holdover time"),
        (asked("-FZRA", 8.0), "contradicts"),
        (asked("-SN", 15.0), "contradicts"),
    ],
)
def test_what_is_unknown_or_contradicts_itself_gets_no_number(question, why):
    answer = told(question)
    assert answer.outcome in {Outcome.UNKNOWN, Outcome.NONE}
    assert (minutes(answer), answer.allowance_min) == ((None, None), None)
    assert why in answer.why


def test_certain_absence_outweighs_what_is_not_known():
    assert told(asked("+FZRA", -2.0, visibility_m=None)).outcome is Outcome.NONE
    assert told(asked("FZRA FZ//", -2.0)).outcome is Outcome.NONE


def test_below_the_lowest_temperature_for_its_use_a_fluid_has_no_time():
    assert told(asked("FZFG", (-20.5, -19.5), lout_c=-21.0)).outcome is Outcome.TIME
    answer = told(asked("FZFG", (-20.5, -19.5), lout_c=-20.0))
    assert (answer.outcome, answer.why) == (Outcome.NONE, "This fluid must not be used below -20 °C.")


def test_thickened_fluid_other_than_undiluted_type_4_has_no_allowance_time():
    for fluid, mix in ((FluidType.IV, "75/25"), (FluidType.II, "100/0"), (FluidType.I, None)):
        answer = told(asked("-PL", -3.0, fluid=fluid, mix=mix))
        assert (answer.outcome, answer.allowance_min) == (Outcome.NONE, None)


def test_the_snow_among_ice_pellets_is_told_by_the_charts():
    """Allowance times from memory: light pellets with light snow 40, with moderate snow 20 (-5 °C and above)."""
    of = {visibility_m: told(asked("-PLSN", -3.0, visibility_m=visibility_m)) for visibility_m in (3500, 1300, 500)}
    assert [each.allowance_min for each in of.values()] == [25, 20, None]
    assert told(asked("-PLSN", -3.0, visibility_m=None)).outcome is Outcome.UNKNOWN


def test_the_contract_has_its_fields_and_null_times_where_none_exist():
    told_time = as_contract(told(asked("FZFG", -2.0)), "Planning aid.")
    fields = {"column", "lower_min", "upper_min", "table", "season", "current", "basis", "why", "caution"}
    assert fields <= told_time.keys()
    assert told_time["caution"].endswith("Planning aid.")
    none = as_contract(told(asked("FZRA", -2.0)), "Planning aid.")
    assert [none[each] for each in ("lower_min", "upper_min", "no_time")] == [None, None, "none"]


def test_now_decides_and_nothing_else():
    assert told(asked("FZFG", -2.0), with_own()) == look_up(asked("FZFG", -2.0), with_own(), NOW, training=True)
