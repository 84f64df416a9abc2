"""Every figure that is shipped against the reference figures, cell by cell (tests/data/reference, SOURCES.md).

The reference files keep the limits of each band as numbers; the shipped tables write them in words.
"""

from __future__ import annotations

import pytest

from tests.treatment.at_hand import asked, figures, shipped, temps_in, told
from watcher.treatment.holdover import Outcome
from watcher.treatment.tables import Tables, TableSet
from watcher.treatment.words import FluidType, Surface

AUTHORITY = {"TC-2003-04-T3": "canada-2003-04", "FAA-FORMAT-PRE2009": "united-states-before-2009"}
# The groups that mean the columns of a Type IV table, whatever its charts say of the snow.
GROUPS = {
    "freezing_fog": "FZFG",
    "snow": "SN",
    "freezing_drizzle": "FZDZ",
    "light_freezing_rain": "-FZRA",
    "rain_cold_soaked_wing": "RA",
}
HOLDOVER = {
    "hot_type1_aluminum.csv": ("Type I", "aluminium"),
    "hot_type1_composite.csv": ("Type I", "composite"),
    "hot_type2_generic.csv": ("Type II", "any"),
    "hot_type3_generic.csv": ("Type III", "any"),
    "hot_type4_generic.csv": ("Type IV", "any"),
}
SETS = {
    "TC-2003-04-T3": "canada-2003-04",
    "FAA-FORMAT-PRE2009": "united-states-before-2009",
    "FAA-2006-07": "united-states-before-2009",
    "SAE-AEA-2003": "europe-2003-04",
    "FAA-2014-15": "united-states-2014-15",
    "FAA-TC-T3-2012": "united-states-2014-15",
    "FAA-2014-15-T0": "united-states-2014-15",
    "FAA-2014-15-ALW": "united-states-2014-15",
}
CELLS = [(name, row) for name in HOLDOVER for row in figures(name) if row["weather"] != "any"]
# A row carries the confidence of its least sure cell.
SURENESS = ["low", "medium", "high", ""]
NONE_BELOW_MINUS_10 = "none_below_-10C"


def named(name: str) -> TableSet:
    return next(each for each in shipped().sets if each.name == name)


def minutes(row: dict[str, str], temp_c: float) -> tuple[int | None, int | None]:
    none = row["status"] != "ok" and not (row["status"] == NONE_BELOW_MINUS_10 and temp_c >= -10)
    too_cold_for_rain = row["weather"] == "rain_cold_soaked_wing" and temp_c <= 0
    return (None, None) if none or too_cold_for_rain else (int(row["min_minutes"]), int(row["max_minutes"]))


@pytest.mark.parametrize(("name", "row"), CELLS, ids=lambda value: value if isinstance(value, str) else "-".join(
    (value["source_id"], value["oat_band"], value["concentration"], value["weather"])
))  # fmt: skip
def test_every_cell_is_the_published_one_and_says_where_it_comes_from(name, row):
    fluid, surface = HOLDOVER[name]
    tables = [
        table
        for table in named(SETS[row["source_id"]]).holdover
        if (table.fluid, table.surface) == (FluidType(fluid), Surface(surface))
    ]
    assert len(tables) == 1
    column = row["weather"]
    for temp_c in temps_in(row):
        rows = [each for each in tables[0].rows if temp_c in each.oat and each.mix in {row["concentration"], "any"}]
        assert len(rows) == 1
        cell, limit = rows[0].cells[column], tables[0].limits.get(column)
        held = limit is None or temp_c in limit
        assert ((cell.lower_min, cell.upper_min) if held else (None, None)) == minutes(row, temp_c)
        assert rows[0].mark.basis == row["basis"]
        assert SURENESS.index(rows[0].mark.confidence or "") <= SURENESS.index(row["confidence"])
        assert rows[0].mark.source == row["source_id"]


def test_no_cell_is_shipped_that_the_reference_does_not_have():
    cells = sum(len(row.cells) for each in shipped().sets for table in each.holdover for row in table.rows)
    assert cells == len(CELLS)


SEEN = [row for row in figures("hot_type4_generic.csv") if row["basis"] == "seen" and row["weather"] != "any"]


@pytest.mark.parametrize("row", SEEN, ids=lambda row: "-".join(
    (row["source_id"], row["oat_band"], row["concentration"], row["weather"])
))  # fmt: skip
def test_every_seen_cell_is_found_again_by_a_look_up(row):
    """TP 10643E table 3 (2003-04) and the FAA layout before 2009, both read."""
    authority = named(AUTHORITY[row["source_id"]]).authority
    only = Tables((named(AUTHORITY[row["source_id"]]),), shipped().weather, shipped().conditions, shipped().breaks_c)
    for temp_c in temps_in(row):
        if row["weather"] == "rain_cold_soaked_wing" and temp_c <= 0:
            continue
        if row["weather"] != "rain_cold_soaked_wing" and temp_c > 3:
            continue
        question = asked(GROUPS[row["weather"]], temp_c, mix=row["concentration"], visibility_m=2500.0)
        answer = told(question, only)
        lower, upper = minutes(row, temp_c)
        assert (answer.lower_min, answer.upper_min) == (lower, upper)
        assert answer.outcome is (Outcome.NONE if lower is None else Outcome.TIME)
        assert answer.column == row["weather"]
        if lower is not None:
            assert (answer.authority, answer.basis, answer.current) == (authority, "seen", False)


FROST = figures("hot_active_frost.csv")


@pytest.mark.parametrize("row", FROST, ids=lambda row: "-".join(
    (row["source_id"], row["fluid_type"], row["surface"], row["concentration"], row["oat_band"])
))  # fmt: skip
def test_every_frost_time_is_found_again_by_a_look_up(row):
    only = Tables((named(SETS[row["source_id"]]),), shipped().weather, shipped().conditions, shipped().breaks_c)
    fluid = FluidType("Type " + row["fluid_type"])
    surface = {"aluminum": Surface.ALUMINIUM, "composite": Surface.COMPOSITE}.get(row["surface"], Surface.UNKNOWN)
    mix = row["concentration"] if fluid.thickened else None
    for temp_c in temps_in(row):
        answer = told(asked("", temp_c, fluid=fluid, mix=mix, surface=surface, active_frost=True), only)
        assert (answer.lower_min, answer.upper_min) == (int(row["holdover_minutes"]),) * 2
        assert (answer.column, answer.basis) == ("active_frost", row["basis"])


ALLOWANCE = figures("allowance_times_type4.csv")


@pytest.mark.parametrize("row", ALLOWANCE, ids=lambda row: "-".join(
    (row["source_id"], row["precipitation"], row["oat_band"])
))  # fmt: skip
def test_every_allowance_time_is_the_published_one(row):
    key = row["precipitation"].replace("_light_or_moderate", "_light").replace("_or_small_hail", "")
    (table,) = named(SETS[row["source_id"]]).allowance
    for temp_c in temps_in(row):
        found = [each for each in table.rows if each.precipitation == key and temp_c in each.oat]
        assert [each.minutes for each in found] == [int(row["allowance_minutes"]) if row["allowance_minutes"] else None]
        assert (found[0].mark.basis, found[0].mark.confidence or "") == (row["basis"], row["confidence"])


def test_the_allowance_for_light_pellets_of_2006_is_25_minutes():
    """FAA notice of 20 September 2007 and briefing of October 2006: 25 minutes, light ice pellets, undiluted Type IV."""
    answer = told(asked("-PL", -3.0))
    assert (answer.outcome, answer.allowance_min, answer.lower_min, answer.upper_min) == (
        Outcome.ALLOWANCE, 25, None, None,
    )  # fmt: skip
