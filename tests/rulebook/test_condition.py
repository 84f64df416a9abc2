"""The condition tree: three-valued, with hysteresis, and honest about its reasons."""

from __future__ import annotations

import pickle
from datetime import UTC, datetime

import pytest

from watcher.errors import Problem
from watcher.rulebook.condition import Tree
from watcher.rulebook.facts import FACTS, Facts
from watcher.rulebook.parse_condition import OPS_BY_TYPE, parse_condition
from watcher.rulebook.words import Kind


def tree(raw: object) -> Tree:
    problems: list[Problem] = []
    node = parse_condition(raw, "test", problems)
    assert node is not None, problems
    return Tree(node)


def facts(intervals=None, **values) -> Facts:
    return Facts("XNOR", datetime(2026, 1, 12, 6, tzinfo=UTC), Kind.OBSERVED, values, intervals or {})


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


@pytest.mark.parametrize(("held", "threshold", "verdict"), [(False, 4.0, True), (True, 3.0, False)])
def test_a_denied_leaf_shows_the_threshold_that_counts_for_it(held, threshold, verdict):
    leaf = tree({"not": {"field": "temp_c", "op": "<=", "value": 3.0, "off": 4.0}})
    reasons = leaf.reasons(facts(temp_c=3.5), held=held)
    (reason,) = reasons.because
    assert (reason.threshold, reason.verdict, reason.negated) == (threshold, verdict, True)
    assert reasons.decisive == reasons.because
    assert reasons.verdict is not verdict


def test_sure_wants_the_whole_interval():
    leaf = tree({"field": "temp_c", "op": "<=", "value": 0.0, "sure": True})
    assert leaf.judge(facts({"temp_c": (-1.5, -0.5)}, temp_c=-1.0)).enter is True
    assert leaf.judge(facts({"temp_c": (-0.5, 0.5)}, temp_c=0.0)).enter is None
    assert leaf.judge(facts({"temp_c": (0.5, 1.5)}, temp_c=1.0)).enter is False


def test_no_weather_lacks_all_of_it():
    assert tree({"field": "weather", "op": "lacks", "value": "SN"}).judge(facts(weather=frozenset())).enter is True
    assert tree({"field": "weather", "op": "has", "value": "SN"}).judge(facts(weather=frozenset())).enter is False
    assert tree({"field": "weather", "op": "lacks", "value": "SN"}).judge(facts(weather=None)).enter is None


def test_precipitation_that_could_not_be_seen_is_unknown_and_other_weather_is_not():
    assert tree({"field": "weather", "op": "has", "value": "RA"}).judge(facts(weather=frozenset({"//"}))).enter is None
    seen = facts(weather=frozenset({"-RA", "//"}))
    assert tree({"field": "weather", "op": "has", "value": "-FZRA"}).judge(seen).enter is None
    assert tree({"field": "weather", "op": "has", "value": "BR"}).judge(seen).enter is False
    assert tree({"field": "weather", "op": "lacks", "value": "FZRA"}).judge(seen).enter is None
    assert tree({"field": "weather", "op": "has", "value": "RA"}).judge(seen).enter is True


@pytest.mark.parametrize(
    ("groups", "asked", "answer"),
    [
        ({"FZRA"}, ["moderate", "heavy"], True),
        ({"+FZRA"}, ["moderate", "heavy"], True),
        ({"-FZRA"}, ["moderate", "heavy"], False),
        ({"-FZRAPL"}, ["light"], True),
        ({"FZRA", "//"}, ["moderate", "heavy"], True),
        ({"-FZRA", "//"}, ["moderate", "heavy"], None),
        ({"-SN", "FZ//"}, ["light"], None),
        ({"VCSH"}, ["light", "moderate", "heavy"], False),
    ],
)
def test_a_weather_leaf_asks_for_intensities(groups, asked, answer):
    """WMO-No. 306, code table 4678: - is light, no sign moderate, + heavy."""
    leaf = tree({"field": "weather", "op": "has", "value": "FZRA", "intensity": asked})
    assert leaf.judge(facts(weather=frozenset(groups))).enter is answer


def test_a_sensor_that_is_off_hides_freezing_rain_only():
    seen = facts(weather=frozenset({"BR", "FZ//"}))
    answers = {
        code: tree({"field": "weather", "op": "has", "value": code}).judge(seen).enter
        for code in ("-FZRA", "FZUP", "SN", "RA", "FZFG", "BR")
    }
    assert answers == {"-FZRA": None, "FZUP": None, "SN": False, "RA": False, "FZFG": False, "BR": True}


def test_between_may_be_sure_and_may_let_go_later():
    leaf = tree({"field": "temp_c", "op": "between", "value": [-10, 0], "off": [-12, 1], "sure": True})
    answers = [
        leaf.judge(facts({"temp_c": ends}, temp_c=sum(ends) / 2))
        for ends in ((-5, -4), (-0.5, 0.5), (0.2, 0.8), (3, 4))
    ]
    assert [(answer.enter, answer.keep) for answer in answers] == [
        (True, True),
        (None, True),
        (False, True),
        (False, False),
    ]


def test_a_tree_travels_between_processes():
    leaf = pickle.loads(pickle.dumps(tree({"not": {"field": "temp_c", "op": "<=", "value": 3.0, "off": 4.0}})))
    assert leaf.judge(facts(temp_c=5.0)).enter is True


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
