"""A set of tables that cannot be used is refused with file, row, field, what is wrong and what is allowed."""

from __future__ import annotations

import pytest

from tests.treatment.at_hand import HEAD, SNOW, TYPE_4, asked, own_set, told, with_own
from watcher.errors import RulesError
from watcher.treatment.holdover import Outcome
from watcher.treatment.parse_fluids import parse_fluids
from watcher.treatment.parse_tables import parse_tables
from watcher.treatment.parse_weather import parse_conditions, parse_weather_rows
from watcher.treatment.words import Basis

FROST = HEAD + '\n[[table]]\nfile = "frost.csv"\nkind = "active-frost"\ntitle = "Frost"\n'
FROST_ROWS = "oat_c,fluid,surface,mix,minutes,source\nany,Type IV,any,100/0,12:00,own\n"


def refused(head: str = HEAD, **texts: str) -> list[str]:
    files = {"type-4.csv": texts.get("type_4", TYPE_4), "snow.csv": texts.get("snow", SNOW)}
    with pytest.raises(RulesError) as caught:
        parse_tables(head, files, "sets/own/head.toml")
    return [str(problem) for problem in caught.value.problems]


def test_a_good_set_is_read_with_hours_or_minutes_and_is_official_unless_said():
    (table,) = own_set().holdover
    cell = table.rows[0].cells["freezing_fog"]
    assert (cell.lower_min, cell.upper_min) == (60, 120)
    assert table.rows[0].mark.basis is Basis.OFFICIAL
    assert table.rows[2].cells["freezing_drizzle"].lower_min is None


@pytest.mark.parametrize(
    ("before", "after", "problem"),
    [
        ("1:00-2:00", "1:00", 'sets/own/type-4.csv: row 2: freezing_fog: "1:00" is no time; write 35-65'),
        ("1:00-2:00", "2:00-1:00", "runs backwards"),
        ("1:00-2:00", "1:00-1:75", "has 75 minutes in an hour"),
        ("1:00-2:00", "0-20", 'row 2: freezing_fog: "0" is out of range'),
        ("1:00-2:00", "60-2000", '"2000" is out of range'),
        ("1:00-2:00", "", 'freezing_fog: "" is no time'),
        ("-3 and above,100/0", "-3 up,100/0", 'row 2: oat_c: "-3 up" is no band'),
        ("below -3 to -14,100/0", "below -14 to -3,100/0", "row 3: oat_c"),
        ("-3 and above,100/0", "-3 and above,100/10", "row 2: mix"),
        ("-3 and above,100/0", "-3 and above,any", "leaves the mix of Type IV open"),
        ("40-70,own", "40-70,else", 'row 2: source: "else" is not among the sources of the head'),
        ("50-80,", "", "row 2: has 6 fields, the head has 7"),
        ("snow_light", "snow_lite", 'row 1: field "snow_lite" is not known; did you mean snow_light?'),
        ("snow_light", "freezing_fog", 'row 1: field "freezing_fog" stands twice'),
        (",mix,", ",blend,", 'row 1: field "mix" is missing'),
    ],
)
def test_a_cell_that_cannot_be_read_is_named(before, after, problem):
    problems = refused(type_4=TYPE_4.replace(before, after, 1))
    assert any(problem in each for each in problems), problems


@pytest.mark.parametrize(
    ("before", "after", "problem"),
    [
        ("valid_until = 2026-05-31\n", "", 'sets/own/head.toml: "valid_until" is missing'),
        ("2026-05-31", "2025-05-31", "2025-05-31 is before valid_from 2025-10-01"),
        ("2026-05-31", '"soon"', "valid_until"),
        ('"operation"', '"real"', '"real" is not allowed'),
        ("season = ", "saison = ", "did you mean season?"),
        ('name = "own-2025-26"', 'name = "../own"', "small letters and digits joined by hyphens"),
        ('"type-4.csv"', '"../type-4.csv"', "is no CSV file beside the head"),
        ('fluid = "Type IV"', 'fluid = "Type V"', '"Type V" is not allowed'),
        ('fluid = "Type IV"\n', "", "fluid: is missing for kind holdover"),
        ('unit = "m"\n', "", "unit: is missing for kind snow-by-visibility"),
        ('surface = "any"', 'surface = "unknown"', "is no surface of a table"),
        ('freezing_drizzle = "-10 and above"', 'freezing_drizle = "-10 and above"', "did you mean freezing_drizzle"),
        ('freezing_drizzle = "-10 and above"', 'freezing_drizzle = "-10"', "limits: freezing_drizzle"),
        ('authority = "Own"', 'authority = " "', "authority: is empty"),
        ('"snow.csv"', '"snow-2.csv"', 'the file "snow-2.csv" is missing'),
        ('"snow.csv"', '"type-4.csv"', "stands twice"),
    ],
)  # fmt: skip
def test_a_head_that_cannot_be_used_is_refused_by_key(before, after, problem):
    problems = refused(HEAD.replace(before, after, 1))
    assert any(problem in each for each in problems), problems


@pytest.mark.parametrize(
    ("before", "after", "problem"),
    [
        ("day,any,from 2000", "dawn,any,from 2000", 'light: "dawn" is not allowed'),
        ("from 2000,light", "2000,light", 'visibility: "2000" is no band'),
        ("from 2000,light", "from 2000,lite", 'intensity: "lite" is not allowed; did you mean light?'),
    ],
)
def test_a_chart_that_cannot_be_read_is_refused(before, after, problem):
    assert any(problem in each for each in refused(snow=SNOW.replace(before, after, 1)))


def test_all_that_is_wrong_is_said_at_once():
    wrong = TYPE_4.replace("1:00-2:00", "x").replace("30-60", "y").replace("below -14 to -25", "cold")
    assert len(refused(type_4=wrong, snow=SNOW.replace("light,own", "lite,own"))) == 5


def test_broken_texts_are_refused():
    assert "is no TOML" in refused("name = ")[0]
    assert "is empty" in refused(type_4="\n# nothing\n")[0]
    assert "has no rows" in refused(type_4=TYPE_4.splitlines()[0])[0]
    assert any("is no CSV" in each for each in refused(type_4=TYPE_4 + 'x,"open\n'))


def test_frost_is_a_single_time():
    files = {"type-4.csv": TYPE_4, "snow.csv": SNOW, "frost.csv": FROST_ROWS}
    assert parse_tables(FROST, files, "head.toml").frost[0].rows[0].minutes == 720
    with pytest.raises(RulesError, match=r"frost.csv: row 2: minutes: .12:00-13:00. is no time"):
        parse_tables(FROST, {**files, "frost.csv": FROST_ROWS.replace("12:00", "12:00-13:00")}, "head.toml")


@pytest.mark.parametrize(
    ("before", "after", "problem"),
    [
        ("Type IV", "type iv", 'row 2: fluid: "type iv" is not allowed'),
        ("any,Type IV,any", "any,Type IV,wood", 'row 2: surface: "wood" is not allowed'),
        ("12:00", "26:00", "is out of range"),
    ],
)
def test_a_row_of_frost_that_cannot_be_used_is_refused(before, after, problem):
    files = {"type-4.csv": TYPE_4, "snow.csv": SNOW, "frost.csv": FROST_ROWS.replace(before, after, 1)}
    with pytest.raises(RulesError) as caught:
        parse_tables(FROST, files, "head.toml")
    assert problem in str(caught.value)


def test_none_in_a_frost_table_gives_no_time():
    rows = FROST_ROWS.replace("any,Type IV,any,100/0,12:00", "any,Type IV,any,100/0,none")
    files = {"type-4.csv": TYPE_4, "snow.csv": SNOW, "frost.csv": rows}
    answer = told(asked("", -5.0, active_frost=True), with_own(parse_tables(FROST, files, "head.toml")), training=False)
    assert (answer.outcome, answer.lower_min) == (Outcome.NONE, None)


@pytest.mark.parametrize(
    ("row", "problem"),
    [
        ("SNOW,any,any,snow,memory,low,,", 'weather: "SNOW" is not known'),
        ("SN,strong,any,snow,memory,low,,", 'intensity: "strong" is not allowed'),
        ("SN,any,any,snoww,memory,low,,", 'use: "snoww" is not known'),
        ("SN,any,cold,snow,memory,low,,", 'oat_c: "cold" is no band'),
        ("SN,any,any,snow,memory,,,", "confidence: is missing for a figure from memory"),
        ("FZFG,light,any,none,seen,,,", "another row answers for the same weather"),
    ],
)
def test_a_row_of_weather_that_cannot_be_used_is_refused(row, problem):
    head = "weather,intensity,oat_c,use,basis,confidence,source,note\nFZFG,any,any,freezing_fog,seen,,,\n"
    with pytest.raises(RulesError) as caught:
        parse_weather_rows(head + row + "\n", "weather.csv")
    assert problem in str(caught.value)


@pytest.mark.parametrize(
    ("row", "problem"),
    [
        ("flaps-set,all,factor,,Less.,memory,high,", "percent: belongs to effect factor"),
        ("flaps-set,all,factor,176,Less.,memory,high,", '"176" is no share'),
        ("clock,all,void,76,Less.,memory,high,", "percent: belongs to effect factor"),
        ("clock,Type V,void,,Less.,memory,high,", "names no fluids"),
        ("clock,all,annul,,Less.,memory,high,", '"annul" is not allowed'),
        ("clock,all,void,,,memory,high,", "text: is empty"),
    ],
)
def test_a_condition_that_cannot_be_used_is_refused(row, problem):
    head = "condition,fluids,effect,percent,text,basis,confidence,source\n"
    with pytest.raises(RulesError) as caught:
        parse_conditions(head + row + "\n", "conditions.csv")
    assert problem in str(caught.value)


FLUID = '[[fluid]]\ntype = "{}"\nbuffer_c = 7\nsource = "invented"\nbasis = "seen"\n'
FLUIDS = "".join(FLUID.format(f"Type {number}") for number in ("I", "II", "III", "IV"))
APPLICATION = (
    "fluids,oat_c,procedure,step,purpose,liquid,mix_min,freezing_point_above_oat_max_c,nozzle_min_c,basis\n"
    "Type I,any,one-step,1,both,heated,,-10,60,seen\n"
)


@pytest.mark.parametrize(
    ("fluids", "application", "problem"),
    [
        (FLUIDS.replace("Type III", "Type II"), APPLICATION, "Type II stands twice"),
        (FLUIDS[: FLUIDS.rindex("[[fluid]]")], APPLICATION, "says nothing of"),
        (FLUIDS.replace("buffer_c = 7", "buffer_c = -7", 1), APPLICATION, "buffer_c"),
        (FLUIDS, APPLICATION.replace("one-step", "three-step"), "did you mean one-step 1 both"),
        (FLUIDS, APPLICATION.replace("-10,60", "-10,600"), '"600" is no temperature'),
        (FLUIDS, APPLICATION.replace("heated,,", "heated,half,"), '"half" is no mix'),
        (FLUIDS, APPLICATION.replace("Type I,any", "Typ I,any"), "names no fluids"),
    ],
)  # fmt: skip
def test_rules_for_fluids_that_cannot_be_used_are_refused(fluids, application, problem):
    with pytest.raises(RulesError) as caught:
        parse_fluids(("fluids.toml", fluids), ("application.csv", application))
    assert problem in str(caught.value)
