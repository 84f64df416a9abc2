"""The condition tree: three-valued, with hysteresis, and honest about its reasons."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.errors import Problem
from watcher.rulebook.condition import Tree
from watcher.rulebook.explain import explain
from watcher.rulebook.facts import FACTS, Facts
from watcher.rulebook.kleene import all_of, any_of, negated
from watcher.rulebook.parse_condition import OPS_BY_TYPE, parse_condition
from watcher.rulebook.words import Kind

TRI = st.sampled_from([True, False, None])


def tree(raw: object) -> Tree:
    problems: list[Problem] = []
    node = parse_condition(raw, "test", problems)
    assert node is not None, problems
    return Tree(node)


def facts(intervals=None, **values) -> Facts:
    return Facts("XNOR", datetime(2026, 1, 12, 6, tzinfo=UTC), Kind.OBSERVED, values, intervals or {})


@given(st.lists(TRI, max_size=4), st.lists(TRI, max_size=4))
def test_the_laws_of_three_valued_logic(some, others):
    assert all_of(some) == negated(any_of(map(negated, some))), "De Morgan"
    assert all_of([*some, *others]) == all_of([all_of(some), all_of(others)])
    assert any_of([*some, *others]) == any_of([any_of(some), any_of(others)])
    assert negated(negated(all_of(some))) == all_of(some)


def test_hysteresis_takes_hold_at_one_value_and_lets_go_at_another():
    leaf = tree({"field": "temp_c", "op": "<=", "value": 3.0, "off": 4.0})
    answers = [leaf.judge(facts(temp_c=temp)) for temp in (3.0, 3.5, 4.0, 4.1)]
    assert [answer.enter for answer in answers] == [True, False, False, False]
    assert [answer.keep for answer in answers] == [True, True, True, False]


def test_a_denied_leaf_begins_once_its_opposite_has_let_go():
    leaf = tree({"not": {"field": "temp_c", "op": "<=", "value": 3.0, "off": 4.0}})
    answers = [leaf.judge(facts(temp_c=temp)) for temp in (3.0, 3.5, 4.1)]
    assert [answer.enter for answer in answers] == [False, False, True]
    assert [answer.keep for answer in answers] == [False, True, True]


def test_sure_wants_the_whole_interval():
    leaf = tree({"field": "temp_c", "op": "<=", "value": 0.0, "sure": True})
    assert leaf.judge(facts({"temp_c": (-1.5, -0.5)}, temp_c=-1.0)).enter is True
    assert leaf.judge(facts({"temp_c": (-0.5, 0.5)}, temp_c=0.0)).enter is None
    assert leaf.judge(facts({"temp_c": (0.5, 1.5)}, temp_c=1.0)).enter is False


def test_freezing_weather_that_could_not_be_seen_is_unknown_and_other_weather_is_not():
    seen = facts(weather=frozenset({"-RA", "//"}))
    assert tree({"field": "weather", "op": "has", "value": "-FZRA"}).judge(seen).enter is None
    assert tree({"field": "weather", "op": "has", "value": "BR"}).judge(seen).enter is False
    assert tree({"field": "weather", "op": "lacks", "value": "FZRA"}).judge(seen).enter is None
    assert tree({"field": "weather", "op": "has", "value": "RA"}).judge(seen).enter is True


LEAVES = st.one_of(
    st.builds(
        lambda op, value, room: {"field": "temp_c", "op": op, "value": value, "off": value + room if "<" in op else value - room},
        st.sampled_from(["<=", "<", ">=", ">"]),
        st.integers(-10, 10),
        st.integers(0, 5),
    ),
    st.builds(lambda value: {"field": "is_night", "op": "==", "value": value}, st.booleans()),
    st.builds(
        lambda op, code: {"field": "weather", "op": op, "value": code},
        st.sampled_from(["has", "lacks"]),
        st.sampled_from(["SN", "FZRA", "-SN", "BR"]),
    ),
    st.builds(
        lambda low, width, room: {
            "field": "wind_kt", "op": "between", "value": [low, low + width], "off": [low - room, low + width + room],
        },
        st.integers(0, 20), st.integers(0, 10), st.integers(0, 5),
    ),
)  # fmt: skip
TREES = st.recursive(
    LEAVES,
    lambda parts: st.one_of(
        st.builds(lambda many: {"all": many}, st.lists(parts, min_size=1, max_size=3)),
        st.builds(lambda many: {"any": many}, st.lists(parts, min_size=1, max_size=3)),
        st.builds(lambda part: {"not": part}, parts),
    ),
    max_leaves=8,
)
WEATHER = st.frozensets(st.sampled_from(["SN", "-SN", "FZRA", "BR", "//"]), max_size=3)
VALUES = st.fixed_dictionaries(
    {
        "temp_c": st.floats(-15, 15),
        "is_night": st.booleans(),
        "weather": st.frozensets(st.sampled_from(["SN", "-SN", "FZRA", "BR"]), max_size=3),
        "wind_kt": st.floats(0, 35),
    }
)


@given(TREES, VALUES)
def test_what_begins_also_goes_on(raw, values):
    answer = tree(raw).judge(facts(**values))
    assert not (answer.enter is True and answer.keep is not True)


@given(TREES, VALUES, st.sets(st.sampled_from(["temp_c", "is_night", "weather", "wind_kt"])))
def test_an_answer_given_without_a_fact_is_never_contradicted_by_it(raw, values, hidden):
    condition = tree(raw)
    partly = condition.judge(facts(**{name: value for name, value in values.items() if name not in hidden}))
    whole = condition.judge(facts(**values))
    for before, after in ((partly.enter, whole.enter), (partly.keep, whole.keep)):
        assert before is None or before is after


@given(TREES, VALUES, st.booleans())
def test_the_reasons_are_one_for_each_leaf_and_make_a_sentence(raw, values, held):
    condition = tree(raw)
    reasons = condition.because(facts(**values), held=held)
    assert len(reasons) == str(raw).count("'field'")
    answer = condition.judge(facts(**values))
    verdict = answer.keep if held else answer.enter
    sentence = explain(verdict, condition.decisive(facts(**values), held=held), held=held)
    assert sentence.endswith(".")
    assert sentence[0].isupper() or not sentence[0].isalpha()
    for reason in reasons:
        if reason.margin is not None and not reason.verdict:
            assert reason.margin <= 0
        if reason.margin is not None and reason.verdict:
            assert reason.margin >= 0


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        ({"field": "temp_f", "op": "<=", "value": 3}, ["temp_f", "did you mean temp_c?"]),
        ({"field": "temp_c", "op": "==", "value": 3}, ["does not fit", "<= < >= > between"]),
        ({"field": "temp_c", "op": "<=", "value": "3"}, ["compared with a number"]),
        ({"field": "temp_c", "op": "<=", "value": 3, "off": 2}, ["let go before it takes hold"]),
        ({"field": "temp_c", "op": ">", "value": 3, "off": 4}, ["let go before it takes hold"]),
        ({"field": "wind_kt", "op": "between", "value": [9, 3]}, ["lower first"]),
        ({"field": "weather", "op": "has", "value": "SNOW"}, ["no weather group"]),
        ({"field": "is_night", "op": "==", "value": "yes"}, ["allowed: true, false"]),
        ({"field": "snow_intensity", "op": "==", "value": "hevy"}, ["did you mean heavy?"]),
        ({"field": "is_night", "op": "==", "value": True, "off": 1}, ["belongs to number facts only"]),
        ({"field": "is_night", "op": "==", "value": True, "intensity": "light"}, ["belongs to weather facts only"]),
        ({"field": "weather", "op": "has", "value": "SN", "intensity": "hevy"}, ["did you mean heavy?"]),
        ({"field": "weather", "op": "has", "value": "-SN", "intensity": "light"}, ["has a sign"]),
        ({"field": "temp_c", "op": "<=", "value": float("nan")}, ["compared with a number"]),
        ({"field": "temp_c", "op": "between", "value": [0, float("inf")]}, ["lower first"]),
        ({"field": "temp_c", "op": "<=", "value": 3, "offf": 4}, ["did you mean off?"]),
        ({"all": []}, ["at least one"]),
        ({"all": [{"field": "temp_c", "op": "<=", "value": 3}], "any": []}, ["stands alone"]),
        ({"field": "temp_c"}, ['"op" is missing', '"value" is missing']),
        ("temp_c <= 3", ["a condition is a table"]),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_with_what_is_allowed(raw, words):
    problems: list[Problem] = []
    assert parse_condition(raw, "rules.toml: when", problems) is None
    said = "\n".join(map(str, problems))
    assert all(word in said for word in words), said
    assert "rules.toml" in said


def test_every_fact_can_be_asked_for():
    samples = {"number": 1.0, "flag": True, "weather": "SN"}
    for spec in FACTS:
        value = spec.words[0] if spec.type == "word" else samples[spec.type]
        assert tree({"field": spec.name, "op": OPS_BY_TYPE[spec.type][0], "value": value}).judge(facts()).enter is None
