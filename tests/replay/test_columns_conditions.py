"""A condition as columns says what its tree says of each report: true, false or unknown, for beginning and going on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.rulebook.test_condition_properties import PARTLY, TREES, facts, tree
from watcher.replay.columns.lexicon import PLAIN, Lexicon, coded
from watcher.replay.columns.names import column_of
from watcher.replay.columns.verdicts import enter_column, facts_of, keep_column, with_verdicts
from watcher.rulebook.condition import Tree
from watcher.rulebook.kleene import all_of, any_of, negated
from watcher.rulebook.model import Rule
from watcher.rulebook.words import Flag, Kind, Level

TRI = (True, False, None)
SCHEMA = {
    "temp_c": pl.Float64,
    "temp_c_low": pl.Float64,
    "temp_c_high": pl.Float64,
    "wind_kt": pl.Float64,
    "is_night": pl.Boolean,
    "snow_intensity": pl.Enum(["none", "very_light", "light", "moderate", "heavy"]),
    column_of("weather"): pl.Categorical,
}
ROUNDED = st.none() | st.tuples(st.floats(0, 1), st.floats(0, 1))


def rule(condition: Tree) -> Rule:
    kinds = frozenset({Kind.OBSERVED})
    return Rule("asked", Flag.SNOW, Level.NOTE, kinds, "asked", "common practice, no source", condition)


def interval(values: Mapping[str, object], rounded: tuple[float, float] | None) -> tuple[float, float] | None:
    temp = values["temp_c"]
    return None if temp is None or rounded is None else (temp - rounded[0], temp + rounded[1])


def columns(reports: Sequence[tuple[Mapping[str, object], tuple[float, float] | None]]) -> pl.DataFrame:
    rows = []
    for values, rounded in reports:
        low, high = interval(values, rounded) or (None, None)
        weather = values["weather"]
        groups = None if weather is None else " ".join(sorted(weather))
        rows.append({**values, "temp_c_low": low, "temp_c_high": high, column_of("weather"): groups})
    return pl.DataFrame([{name: row[name] for name in SCHEMA} for row in rows], schema=SCHEMA)


def answers(condition: Tree, frame: pl.DataFrame, lexicon: Lexicon = PLAIN) -> list[tuple[object, ...]]:
    names = enter_column("asked"), keep_column("asked")
    return with_verdicts(frame.lazy(), [rule(condition)], lexicon).select(names).collect().rows()


@given(TREES, st.lists(st.tuples(PARTLY, ROUNDED), min_size=1, max_size=12))
def test_columns_answer_as_the_tree_does_also_where_facts_are_places(raw, reports):
    condition, frame = tree(raw), columns(reports)
    expected = []
    for values, rounded in reports:
        ends = interval(values, rounded)
        verdict = condition.judge(facts(values, {} if ends is None else {"temp_c": ends}))
        expected.append((verdict.enter, verdict.keep))
    assert answers(condition, frame) == expected
    assert answers(condition, *coded(frame)) == expected


def test_polars_joins_unknown_answers_by_the_strong_tables():
    """S. C. Kleene, Introduction to Metamathematics, 1952, section 64."""
    pairs = [(one, other) for one in TRI for other in TRI]
    frame = pl.DataFrame(pairs, schema={"a": pl.Boolean, "b": pl.Boolean}, orient="row")
    a, b = pl.col("a"), pl.col("b")
    joined = frame.select(both=a & b, either=a | b, neither=~a)
    assert joined.rows() == [(all_of(pair), any_of(pair), negated(pair[0])) for pair in pairs]


def test_a_rule_that_asks_only_the_frost_model_is_unknown_in_every_report():
    frame = pl.DataFrame({"heard": [True, True]})
    condition = tree({"not": {"field": "p_deposit", "op": ">=", "value": 0.5}})
    assert answers(condition, frame) == [(None, None)] * 2


def test_the_ends_of_an_interval_are_asked_for_where_a_rule_must_be_sure():
    leaf = {"field": "temp_c", "op": "<=", "value": 0}
    assert facts_of([rule(tree(leaf))]) == {"temp_c"}
    assert facts_of([rule(tree(leaf | {"sure": True}))]) == {"temp_c", "temp_c_low", "temp_c_high"}


def test_many_weather_leaves_do_not_get_into_each_others_way():
    codes = ["SN", "RA", "DZ", "PL", "FG", "BR", "FZRA", "FZDZ", "UP", "GR", "GS"]
    condition = tree({"any": [{"field": "weather", "op": "has", "value": code} for code in codes]})
    frame = columns([({**dict.fromkeys(SCHEMA), "weather": groups}, None) for groups in ({"GS"}, {"IC"}, set(), None)])
    assert answers(condition, frame) == [(True, True), (False, False), (False, False), (None, None)]


def test_a_condition_that_is_no_tree_is_refused():
    class Whim:
        def judge(self, _facts):
            raise NotImplementedError

    with pytest.raises(TypeError, match="Whim is no condition tree"):
        facts_of([rule(Whim())])


@given(st.lists(st.none() | st.floats(-1e6, 1e6) | st.integers(-400, 400).map(lambda tenths: tenths / 10), min_size=1))
def test_places_stand_for_the_very_values_and_a_lexicon_comes_back_from_its_text(values):
    frame, lexicon = coded(pl.DataFrame({"temp_c": values}, schema={"temp_c": pl.Float64}))
    assert frame.schema["temp_c"] == pl.UInt16
    read = Lexicon.load(lexicon.dump()).numbers["temp_c"]
    assert [None if place is None else read[place] for place in frame["temp_c"]] == values


def test_numbers_that_are_too_many_for_places_stay_as_they_are():
    frame = pl.DataFrame({"sun_elevation_deg": pl.Series(range(70_000)) / 7})
    kept, lexicon = coded(frame)
    assert kept.equals(frame)
    assert lexicon.numbers == {}
