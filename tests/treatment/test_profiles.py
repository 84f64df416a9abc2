"""Aircraft profiles and the operations of a station: what they hold, and what is refused."""

from __future__ import annotations

import re
from dataclasses import fields, is_dataclass
from datetime import time
from math import inf, nan
from pathlib import Path

import airportsdata
import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.errors import RulesError
from watcher.treatment.kinds import ApuPlace, Contamination, Engines, Flaps, Place, Size
from watcher.treatment.parse_aircraft import parse_aircraft
from watcher.treatment.parse_operations import parse_operations
from watcher.treatment.parse_procedure import parse_procedure
from watcher.treatment.procedures import Clock, Condition, Item, Stop
from watcher.treatment.profiles import (
    AircraftProfile,
    Duration,
    FluidNeed,
    Hours,
    Litres,
    OfferedFluid,
    Operations,
    Site,
    TreatmentTime,
)
from watcher.treatment.words import FluidType, Surface

RULES = Path(__file__).parents[2] / "rules"
AIRCRAFT_TEXT = (RULES / "aircraft.toml").read_text(encoding="utf-8")
OPERATIONS_TEXT = (RULES / "operations.toml").read_text(encoding="utf-8")
FLEET = parse_aircraft(AIRCRAFT_TEXT, "aircraft.toml")
XNOR = parse_operations(OPERATIONS_TEXT, "operations.toml")["XNOR"]
PLANE = """
[[aircraft]]
name = "courier"
size = "small"
engines = 2
propeller = true
source = "its manual, edition 3"
"""


def refused(parse, text: str, name: str) -> str:
    with pytest.raises(RulesError) as error:
        parse(text, name)
    return str(error.value)


@given(st.tuples(*[st.floats(allow_nan=True, allow_infinity=True)] * 3))
def test_a_duration_is_three_numbers_of_0_or_more_that_rise(values):
    # Quantiles of one distribution never fall with the probability.
    p10, p50, p90 = values
    if 0 <= p10 <= p50 <= p90 < inf:
        assert Duration(*values).p50 == p50
    else:
        with pytest.raises(ValueError, match="p10, p50 and p90"):
            Duration(*values)


@pytest.mark.parametrize("values", [(-1, 2, 3), (3, 2, 4), (1, 3, 2), (1, 2, nan), (1, 2, inf)])
def test_a_negative_or_unordered_figure_is_refused_for_litres_as_well(values):
    with pytest.raises(ValueError, match="p10, p50 and p90"):
        Litres(*values)


def test_minutes_and_litres_are_not_the_same():
    assert Duration(1, 2, 3) != Litres(1, 2, 3)


def test_what_a_profile_leaves_out_is_not_known():
    plane = parse_aircraft(PLANE, "mine.toml").profiles["courier"]
    unknown = ("wing_material", "wing_area_m2", "tank", "apu", "engine_bleed_wait_min", "apu_bleed_wait_min", "flaps_during_treatment")  # fmt: skip
    assert [getattr(plane, name) for name in unknown] == [None] * len(unknown)


def test_the_shipped_profiles_are_invented_and_their_waits_have_no_source():
    assert {profile.source for profile in FLEET.profiles.values()} == {"invented"}
    assert {profile.waits_source for profile in FLEET.profiles.values()} == {"common practice, no source"}
    assert {profile.engine_bleed_wait_min for profile in FLEET.profiles.values()} == {1.0}
    assert {profile.apu_bleed_wait_min for profile in FLEET.profiles.values()} == {5.0, None}
    assert FLEET.profiles["small-propeller"].apu is ApuPlace.NONE


def test_the_shipped_profiles_hold_every_kind_that_a_plan_tells_apart():
    profiles = FLEET.profiles.values()
    assert {profile.size for profile in profiles} == set(Size)
    assert {profile.wing_material for profile in profiles} == {Surface.ALUMINIUM, Surface.COMPOSITE}
    assert {profile.flaps_during_treatment for profile in profiles} == set(Flaps)
    assert {profile.propeller for profile in profiles} == {True, False}


def test_every_size_and_contamination_has_its_litres_and_they_say_that_they_are_from_memory():
    assert set(FLEET.needs) == {(size, contamination) for size in Size for contamination in Contamination}
    assert {need.source for need in FLEET.needs.values()} == {"memory"}


def test_more_contamination_or_a_larger_aircraft_never_takes_less_fluid_or_time():
    for table in (FLEET.needs, XNOR.times):
        for size in Size:
            amounts = [table[size, contamination].de_icing for contamination in Contamination]
            assert [amount.p50 for amount in amounts] == sorted(amount.p50 for amount in amounts)
        for contamination in Contamination:
            amounts = [table[size, contamination].de_icing for size in Size]
            assert [amount.p90 for amount in amounts] == sorted(amount.p90 for amount in amounts)


def test_the_example_station_has_every_place_with_rigs_hours_and_fluids():
    assert [site.name for place in Place for site in XNOR.at(place)] == ["stands", "push-back line", "pad 19"]
    pad = XNOR.at(Place.PAD)[0]
    assert (pad.bays, pad.rigs, pad.engines, pad.hours) == (2, 4, Engines.RUNNING, Hours(time(4, 30), time(22)))
    assert pad.taxi_in == Duration(6, 8, 12)
    assert set(pad.taxi_out) == {"19"}
    assert XNOR.at(Place.AFTER_PUSH)[0].sizes == (Size.SMALL, Size.MEDIUM)
    assert {fluid.type for fluid in XNOR.fluids if Place.PAD in fluid.places} == {FluidType.I, FluidType.IV}
    assert XNOR.queue["19"].p90 == 10
    assert XNOR.local


def test_the_example_names_no_real_airport():
    # Location indicators: airportsdata (MIT).
    known = airportsdata.load("ICAO")
    for text in (AIRCRAFT_TEXT, OPERATIONS_TEXT):
        assert not set(re.findall(r"\b[A-Z]{4}\b", text)) & set(known)
    assert "XNOR" not in known


@pytest.mark.parametrize(
    ("hours", "open_at", "closed_at"),
    [
        (Hours(time(4, 30), time(22)), ["04:30", "21:59"], ["04:29", "22:00"]),
        (Hours(time(22), time(4)), ["22:00", "00:00", "03:59"], ["04:00", "21:59"]),
        (Hours(time(6), time(6)), ["00:00", "06:00", "23:59"], []),
    ],
)
def test_hours_begin_with_their_first_minute_end_before_their_last_and_may_cross_midnight(hours, open_at, closed_at):
    assert all(hours.hold(time.fromisoformat(wall)) for wall in open_at)
    assert not any(hours.hold(time.fromisoformat(wall)) for wall in closed_at)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ("engine_bleed_wait_min = 1", 'aircraft "courier": a wait is given without waits_source'),
        ('engine_bleed_wait_min = -1\nwaits_source = "x y z"', "engine_bleed_wait_min: input should be greater than or equal to 0"),
        ('apu = "none"\napu_bleed_wait_min = 5\nwaits_source = "its manual"', "an APU that it does not have"),
        ('wing_material = "wood"', 'wing_material: "wood" is not allowed; allowed: aluminium, composite'),
        ('wing_area_m2 = "60"', "wing_area_m2: input should be a valid number"),
        ("wing_aera_m2 = 60", 'key "wing_aera_m2" is not known; did you mean wing_area_m2?'),
        ('[[aircraft]]\nname = "x"', 'aircraft "x": "size" is missing'),
        (PLANE, 'aircraft "courier": name "courier" stands twice'),
        ('[[fluid_need]]\nsize = "small"\ncontamination = "mud"', 'contamination: "mud" is not allowed'),
        (
            '[[fluid_need]]\nsize = "small"\ncontamination = "frost"\nsource = "log of 2025"\nde_icing = { p10 = 5, p50 = 3, p90 = 9 }',
            "fluid_need number 1: de_icing: p10, p50 and p90 rise: p10 <= p50 <= p90",
        ),
    ],
)  # fmt: skip
def test_an_aircraft_file_that_cannot_be_used_is_refused_with_the_reason(more, said):
    assert said in refused(parse_aircraft, PLANE + more, "mine.toml")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("p10 = 3, p50 = 4, p90 = 7", "p10 = -3, p50 = 4, p90 = 7", 'station "XNOR": push_back: p10, p50 and p90 are numbers of 0'),
        ("p10 = 3, p50 = 4, p90 = 7", "p10 = 3, p50 = 4", 'station "XNOR": "push_back.p90" is missing'),
        ("p10 = 3, p50 = 4, p90 = 7", "p10 = 3, p50 = 4, p95 = 7", 'key "push_back.p95" is not known; did you mean p90?'),
        ('"01" = { p10 = 0, p50 = 2', '"1" = { p10 = 0, p50 = 2', "queue.1"),
        ('"01" = { p10 = 0, p50 = 2', '"03" = { p10 = 0, p50 = 2', 'site "stands": taxi_out: runway "01" has no queue'),
        ("Europe/Oslo", "Europe/Osslo", 'zone: "Europe/Osslo" is not known; an IANA name'),
        ("04:30-22:00", "04:30-25:00", 'site "pad 19": hours: "04:30-25:00" are no hours; write for example 04:30-22:00'),
        ("04:30-22:00", "04:30Z-22:00Z", "are no hours"),
        ('engines = "running"', 'engines = "idle"', 'site "pad 19": engines: "idle" is not allowed; allowed: off, running'),
        ("taxi_in = ", "taxi_inn = ", 'key "taxi_inn" is not known; did you mean taxi_in?'),
        ('place = "pad"', 'place = "stand"', "only a pad has taxi_in"),
        ("bays = 3", "bays = 0", "bays: input should be greater than or equal to 1"),
        ('mix = "60/40"', 'mix = "60/50"', "mix 60/50 does not add up to 100"),
        ('type = "Type I"', 'type = "Type 1"', 'fluid number 1: type: "Type 1" is not allowed; did you mean Type'),
        ('contamination = "snow"', 'contamination = "frost"', 'size and contamination "small, frost" stands twice'),
        ('name = "push-back line"', 'name = "stands"', 'site "stands": name "stands" stands twice'),
        ("[[station.fluid]]", "[[station.fluids]]", 'key "fluids" is not known; did you mean fluid?'),
        ("local = [", "locals = [", 'key "locals" is not known; did you mean local?'),
    ],
)  # fmt: skip
def test_an_operations_file_that_cannot_be_used_is_refused_with_the_reason(old, new, said):
    assert OPERATIONS_TEXT.count(old) >= 1
    assert said in refused(parse_operations, OPERATIONS_TEXT.replace(old, new, 1), "operations.toml")


def test_a_place_without_a_fluid_is_said():
    only_elsewhere = OPERATIONS_TEXT.replace('"stand", ', "")
    assert "no fluid is offered at stand" in refused(parse_operations, only_elsewhere, "operations.toml")


def test_all_that_is_wrong_in_a_station_is_said_at_once():
    wrong = OPERATIONS_TEXT.replace("bays = 3", "bays = 0").replace('mix = "60/40"', 'mix = "60/50"').replace("04:30-22:00", "late")  # fmt: skip
    assert len(refused(parse_operations, wrong, "operations.toml").splitlines()) == 3


@pytest.mark.parametrize(
    "kind", [Item, Condition, Stop, AircraftProfile, FluidNeed, Operations, Site, TreatmentTime, OfferedFluid, Clock]
)
def test_the_page_about_the_files_explains_every_key_and_clock(kind):
    page = (RULES / "README.md").read_text(encoding="utf-8")
    words = [field.name for field in fields(kind)] if is_dataclass(kind) else list(kind)
    written_otherwise = {"station", "sites", "times", "fluids"} if kind is Operations else set()
    assert not [word for word in words if word not in written_otherwise and f"`{word}`" not in page]


@pytest.mark.parametrize(
    ("parse", "name"),
    [
        (parse_aircraft, "aircraft.toml"),
        (parse_operations, "operations.toml"),
        (parse_procedure, "procedures/after-push.toml"),
    ],
)
@pytest.mark.parametrize(
    "odd", ['""', "[]", "{}", "nan", "-inf", "true", "-1", "1e400", "1979-05-27", "[[[]]]", '{ p10 = "" }', '"\\u0000"']
)
def test_whatever_stands_at_any_key_is_taken_or_refused_by_place_and_never_breaks_the_reader(parse, name, odd):
    text = (RULES / name).read_text(encoding="utf-8")
    told = []
    for found in list(re.finditer(r"^(\w+) = .+$", text, flags=re.MULTILINE))[:40]:
        try:
            parse(f"{text[: found.start()]}{found[1]} = {odd}{text[found.end() :]}", name)
        except RulesError as error:
            told.extend(error.problems)
    assert told
    assert all(problem.where.startswith(name) and problem.what for problem in told)


@pytest.mark.parametrize("parse", [parse_aircraft, parse_operations])
@pytest.mark.parametrize("text", ["", "nonsense = [", "[[bird]]\nname = 1"])
def test_an_empty_or_foreign_file_is_refused_by_its_name(parse, text):
    assert refused(parse, text, "mine.toml").startswith("mine.toml: ")
