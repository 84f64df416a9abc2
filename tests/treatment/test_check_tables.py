"""What must hold in a set of tables, and what is odd enough to be shown."""

from __future__ import annotations

import pytest

from tests.treatment.at_hand import HEAD, SNOW, TYPE_4, own_set, shipped, with_column
from watcher.treatment.check_tables import odd, wrong
from watcher.treatment.parse_tables import parse_tables

ALLOWANCE = HEAD + '\n[[table]]\nfile = "allowance.csv"\nkind = "allowance"\ntitle = "Allowance"\n'
ALLOWANCE_ROWS = """oat_c,precipitation,fluid,mix,minutes,source
any,ice_pellets_light,Type IV,100/0,50,own
any,ice_pellets_light+snow_light,Type IV,100/0,40,own
any,ice_pellets_light+snow_moderate,Type IV,100/0,20,own
any,ice_pellets_moderate,Type IV,100/0,25,own
"""


def said(problems) -> str:
    return "\n".join(map(str, problems))


def test_the_shipped_sets_hold_and_only_the_known_oddities_are_named():
    """Type IV freezing fog, 75/25 above 100/0: in both copies read; the rest is noted beside the figures from memory."""
    assert [problem for each in shipped().sets for problem in wrong(each)] == []
    by_set = {each.name: said(odd(each)) for each in shipped().sets}
    for name in ("canada-2003-04", "united-states-before-2009"):
        assert by_set[name].count("\n") == 0
        assert "below -3 to -14: 75/25: freezing fog has more time, though weaker than 100/0" in by_set[name]
    assert "freezing drizzle has more time, though colder than -3 and above" in by_set["united-states-2014-15"]


def test_a_good_set_has_nothing_wrong_and_nothing_odd():
    assert (wrong(own_set()), odd(own_set())) == ([], [])


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ("below -3 to -14", "below -4 to -14", 'a gap of temperature between "-3 and above" and "below -4 to -14"'),
        ("below -3 to -14", "-2 to -14", 'the bands of temperature "-3 and above" and "-2 to -14" overlap'),
        ("-3 and above", "5 to -3", 'nothing is said of temperature beyond "5 to -3"'),
        ("50-80,30-50", "30-50,50-80", "moderate snow has more time than light snow"),
        ("50-80,30-50", "none,30-50", "moderate snow has more time than light snow"),
    ],
)
def test_what_cannot_be_right_is_refused(before, after, told):
    assert told in said(wrong(own_set(type_4=TYPE_4.replace(before, after, 1))))


def test_light_freezing_rain_has_no_more_time_than_freezing_drizzle():
    rows = with_column("light_freezing_rain", "30-80", "10-20", "none")
    told = said(wrong(own_set(type_4=rows)))
    assert told.count("light freezing rain has more time than freezing drizzle") == 1


def test_rain_on_a_cold_soaked_wing_has_no_time_at_or_below_0():
    """FAA layout before 2009: the column is for temperatures above 0 °C only."""
    rows = with_column("rain_cold_soaked_wing", "10-50", "none", "none")
    assert "has a time at or below 0 °C" in said(wrong(own_set(type_4=rows)))
    limited = HEAD.replace("[table.limits]\n", '[table.limits]\nrain_cold_soaked_wing = "above 0"\n')
    assert wrong(own_set(limited, type_4=rows)) == []


def test_a_set_for_operation_holds_one_season_of_official_figures():
    long = own_set(HEAD.replace("2026-05-31", "2027-05-31"))
    assert "more than a year" in said(wrong(long))
    seen = own_set(HEAD.replace('basis = "official"', 'basis = "seen"'))
    assert "basis seen in a set for operation" in said(wrong(seen))
    assert (
        wrong(own_set(HEAD.replace('basis = "official"', 'basis = "seen"').replace('"operation"', '"training"'))) == []
    )


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ("day,any,from 1000 to below 2000", "day,any,from 1200 to below 2000", "gap of visibility"),
        ("day,any,from 1000 to below 2000", "day,any,from 900 to below 2000", "overlap"),
        ("day,any,below 1000,heavy", "day,any,from 500 to below 1000,heavy", "nothing is said of visibility beyond"),
        ("day,any,below 1000,heavy", "day,any,below 1000,very_light", "is heavier than below 1000"),
        ("night,any,from 4000", "night,-1 and above,from 4000", "temperature"),
    ],
)
def test_a_chart_covers_all_and_a_lower_visibility_is_never_lighter(before, after, told):
    assert told in said(wrong(own_set(snow=SNOW.replace(before, after, 1))))


def test_a_chart_has_day_and_night():
    by_day = "\n".join(line for line in SNOW.splitlines() if not line.startswith("night"))
    assert "has no rows by night" in said(wrong(own_set(snow=by_day)))


def test_ice_pellets_with_more_never_have_more_time():
    def checked(rows: str) -> str:
        files = {"type-4.csv": TYPE_4, "snow.csv": SNOW, "allowance.csv": rows}
        return said(wrong(parse_tables(ALLOWANCE, files, "head.toml")))

    assert checked(ALLOWANCE_ROWS) == ""
    for before in ("snow_light,Type IV,100/0,40", "pellets_moderate,Type IV,100/0,25"):
        longer = ALLOWANCE_ROWS.replace(before, before[:-2] + "60")
        assert "more precipitation never gives more time" in checked(longer)


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ("1:00-2:00", "4:00-5:00", "freezing fog has 300 minutes; printed times end at 240"),
        ("40-60,20-40", "41-60,20-40", "light snow begins at 41, moderate snow ends at 40"),
        ("20-40,30-40", "70-80,30-40", "freezing fog has more time, though colder"),
        ("20-40,30-40", "10-20,30-40", "has more time than freezing fog"),
    ],
)
def test_what_is_seldom_so_is_told_and_does_not_hinder(before, after, told):
    found = own_set(type_4=TYPE_4.replace(before, after, 1))
    assert told in said(odd(found))
    assert wrong(found) == []


def test_hours_typed_as_minutes_are_noticed():
    hours = "oat_c,mix,freezing_fog,source\n-3 and above,100/0,1-2,own\n"
    assert "are these hours?" in said(
        odd(own_set(type_4=hours, head=HEAD.replace('freezing_drizzle = "-10 and above"', "")))
    )


def test_freezing_drizzle_below_minus_10_and_a_missing_chart_are_noticed():
    unlimited = HEAD.replace('freezing_drizzle = "-10 and above"\n', "")
    assert "freezing drizzle has a time below -10 °C" in said(odd(own_set(unlimited)))
    no_chart = HEAD[: HEAD.index('[[table]]\nfile = "snow.csv"')]
    assert "no chart of snowfall by visibility" in said(odd(own_set(no_chart)))
