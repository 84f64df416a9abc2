"""Which fluid may be used, how long it protects, and why the others are not enough."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.treatment.at_hand import NOW, asked, figures, fluid_rules, shipped, temps_in
from watcher.treatment.application import Role, lout_c, refusals
from watcher.treatment.fluids import choose_fluid
from watcher.treatment.kinds import Place
from watcher.treatment.profiles import OfferedFluid
from watcher.treatment.words import FluidType


def offer(fluid: str, mix: str, freezing_point_c=-40.0, acceptance_c=-35.0, *, heated=True) -> OfferedFluid:
    return OfferedFluid(FluidType(fluid), mix, (Place.PAD,), heated, "invented", freezing_point_c, acceptance_c)


TYPE_1 = offer("Type I", "60/40", -38.0, -32.0)
TYPE_2 = offer("Type II", "75/25", -21.0, -24.0)
TYPE_4 = offer("Type IV", "100/0", -36.0, -26.0, heated=False)
ALL = (TYPE_1, TYPE_2, TYPE_4)


def chosen(weather="-SN", temp_c=-5.0, offers=ALL, **options):
    fields = options.pop("fields", {"visibility_m": 2500.0})
    question = asked(weather, temp_c, **fields)
    return choose_fluid(offers, question, shipped(), fluid_rules(), NOW, **{"training": True, **options})


def option(choice, offered):
    return next(each for each in choice.options if each.offer is offered)


def test_the_worked_example_of_the_lowest_temperature_for_use():
    """Transport Canada TP 10643E, chapter 3: acceptance -45, freezing point -43, Type I: -33; not usable at -39."""
    assert lout_c(fluid_rules().fluids[FluidType.I], -43.0, -45.0) == -33.0
    example = offer("Type I", "60/40", -43.0, -45.0)
    refused = option(chosen(temp_c=-39.0, offers=(example,)), example)
    assert (refused.usable, refused.lout_c, refused.holdover) == (False, -33.0, None)
    assert "-39 °C is below -33 °C" in refused.why
    assert option(chosen(temp_c=-33.0, offers=(example,)), example).usable


def test_the_buffer_is_10_for_type_1_and_7_for_thickened_fluid():
    """TP 10643E, chapter 3, paragraphs 49-52; UK CAA NCC.OP.185 GM1."""
    lowest = {fluid: lout_c(data, -40.0, -90.0) for fluid, data in fluid_rules().fluids.items()}
    assert lowest == {FluidType.I: -30.0, FluidType.II: -33.0, FluidType.III: -33.0, FluidType.IV: -33.0}


@given(st.floats(-80, 0), st.floats(-80, 0), st.sampled_from(FluidType))
def test_the_higher_of_the_two_limits_counts(freezing_point_c, acceptance_c, fluid):
    data = fluid_rules().fluids[fluid]
    lowest = lout_c(data, freezing_point_c, acceptance_c)
    assert lowest in {acceptance_c, freezing_point_c + data.buffer_c}
    assert lowest >= max(acceptance_c, freezing_point_c + data.buffer_c)
    assert lout_c(data, None, acceptance_c) is lout_c(data, freezing_point_c, None) is None


RULES = [
    row
    for name in ("fluid_application_type1.csv", "fluid_application_type2_4.csv")
    for row in figures(name)
    if row["procedure"] != "any"
]
ROLES = {("one_step", "1"): Role.ONE_STEP, ("two_step", "1"): Role.FIRST_STEP, ("two_step", "2"): Role.SECOND_STEP}


@pytest.mark.parametrize(
    "row", RULES, ids=lambda row: "-".join((row["source_id"], row["oat_band"], row["procedure"], row["step"]))
)
def test_every_rule_of_application_is_the_published_one(row):
    """Transport Canada table 6 (2009), FAA FSAT 99-07 table 5 (1999), AEA 25th edition (2010)."""
    fluid = FluidType.I if row["source_id"] == "TC-HOT-T6" else FluidType.IV
    for temp_c in temps_in(row):
        rows = fluid_rules().rows_for(fluid, ROLES[row["procedure"], row["step"]], temp_c)
        (found,) = [each for each in rows if each.mark.source == row["source_id"]]
        least = int(row["concentration_min"].partition("/")[0]) if row["concentration_min"] else None
        highest = float(row["fp_minus_oat_max_c"]) if row["fp_minus_oat_max_c"] else None
        nozzle = float(row["nozzle_min_c"]) if row["nozzle_min_c"] else None
        assert (found.mix_min, found.freezing_point_above_oat_max_c, found.nozzle_min_c) == (least, highest, nozzle)
        assert (found.mark.basis, found.mark.confidence or "") == (row["basis"], row["confidence"])


def test_the_number_of_rules_is_that_of_the_reference():
    """The one for any procedure below -25 °C stands once for each procedure."""
    assert len(fluid_rules().rows) == len(RULES) + 2


@pytest.mark.parametrize(("mix", "coldest_c"), [("50/50", -3.0), ("75/25", -14.0), ("100/0", -25.0)])
def test_the_least_mix_of_thickened_fluid_by_temperature(mix, coldest_c):
    """FAA FSAT 99-07, table 5; AEA 25th edition."""
    offered = offer("Type IV", mix, -60.0, -60.0)
    assert option(chosen("FZFG", coldest_c, (offered,)), offered).usable
    colder = option(chosen("FZFG", coldest_c - 0.5, (offered,)), offered)
    if mix == "100/0":
        assert colder.usable
        assert colder.holdover.lower_min is None
    else:
        assert colder.usable is False
        assert "it needs at least" in colder.why.casefold()


def test_type_1_must_freeze_10_degrees_below_the_air():
    """Transport Canada table 6: freezing point at least 10 °C below the outside air."""
    enough, short = offer("Type I", "30/70", -15.0, -35.0), offer("Type I", "20/80", -14.9, -35.0)
    choice = chosen(temp_c=-5.0, offers=(enough, short))
    assert option(choice, enough).usable
    assert option(choice, short).usable is False


def test_a_first_step_may_freeze_up_to_3_degrees_above_the_air():
    """Transport Canada table 6 and AEA 25th edition: below -3 °C."""
    weak = offer("Type I", "20/80", -7.0, -35.0)
    rows = fluid_rules().rows_for(FluidType.I, Role.FIRST_STEP, -10.0)
    assert refusals(rows, share=20, freezing_point_c=-7.0, heated=True, temp_c=-10.0) == []
    assert refusals(rows, share=20, freezing_point_c=-6.9, heated=True, temp_c=-10.0) != []
    assert option(chosen(temp_c=-5.0, offers=(weak,)), weak).usable is False


def test_unheated_fluid_is_a_second_step_only_and_the_first_is_named():
    found = option(chosen(), TYPE_4)
    assert found.roles == (Role.SECOND_STEP,)
    assert "second of two steps, the first with heated Type I" in found.why
    assert option(chosen(), TYPE_1).roles == (Role.ONE_STEP, Role.FIRST_STEP, Role.SECOND_STEP)


def test_a_skin_colder_than_the_air_asks_for_more():
    """TP 10643E, chapter 3: the skin temperature counts where it is the lower."""
    assert option(chosen(temp_c=-12.0), TYPE_2).usable
    assert option(chosen(temp_c=-12.0, skin_temp_c=-16.0), TYPE_2).usable is False
    assert option(chosen(temp_c=-12.0, skin_temp_c=2.0), TYPE_2).usable


def test_the_longest_is_best_and_the_others_say_how_long_they_are():
    choice = chosen()
    assert choice.best.offer is TYPE_4
    assert choice.why == "Type IV 100/0: 20-40 min."
    assert choice.options[0].offer is TYPE_4
    assert "No longer: 10-20 min; Type IV 100/0 gives 20-40 min." in option(choice, TYPE_2).why


def test_with_a_time_needed_the_plainest_fluid_that_reaches_it_is_best():
    assert chosen(needed_min=4).best.offer is TYPE_1
    choice = chosen(needed_min=10)
    assert choice.best.offer is TYPE_2
    assert "Not enough: 5 min at the heavier end, 10 are needed." in option(choice, TYPE_1).why
    none = chosen(needed_min=60)
    assert none.best is None
    assert "protects for 60 min" in none.why


def test_a_fluid_without_its_limits_is_not_offered_as_usable():
    unknown = replace(TYPE_4, acceptance_c=None)
    choice = chosen(offers=(unknown, TYPE_1))
    assert option(choice, unknown).usable is None
    assert "its acceptance temperature is missing" in option(choice, unknown).why
    assert choice.best.offer is TYPE_1
    nothing = replace(TYPE_1, freezing_point_c=None)
    assert "its freezing point is not known" in option(chosen(offers=(nothing,)), nothing).why.casefold()


@pytest.mark.parametrize(
    ("options", "why"),
    [
        ({"weather": "FZRA"}, "No holdover time exists in this weather with the fluids at hand."),
        ({"weather": "-PL"}, "No holdover time exists in this weather; an allowance time may."),
        ({"weather": ""}, "each fluid that may be used will do"),
        ({"training": False}, "the tables are out of season"),
        ({"fields": {"visibility_m": None}}, "It cannot be told"),
        ({"temp_c": -39.0}, "None of the fluids at hand may be used"),
        ({"temp_c": None}, "None of the fluids at hand may be used"),
        ({"offers": ()}, "None of the fluids at hand may be used"),
    ],
)
def test_where_none_can_be_named_best_the_choice_says_why(options, why):
    choice = chosen(**options)
    assert choice.best is None
    assert why in choice.why


def test_only_undiluted_type_4_stands_out_where_only_an_allowance_exists():
    choice = chosen("-PL", -3.0)
    assert choice.options[0].offer is TYPE_4
    assert choice.options[0].holdover.allowance_min == 25


@given(st.floats(-45, 5), st.sampled_from(["-SN", "FZDZ", "FZFG", "-FZRA", "RA", ""]), st.floats(0, 12))
def test_a_colder_skin_never_makes_another_fluid_usable(temp_c, weather, colder):
    plain, cold = chosen(weather, temp_c), chosen(weather, temp_c, skin_temp_c=temp_c - colder)
    for offered in ALL:
        assert option(plain, offered).usable or not option(cold, offered).usable
