"""What must be true of every condition that anybody can write."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from watcher.errors import Problem
from watcher.reports.weather import matches, parse_weather
from watcher.rulebook.condition import All, AnyOf, Tree
from watcher.rulebook.explain import explain
from watcher.rulebook.facts import Facts
from watcher.rulebook.kleene import Tri, all_of, any_of, negated
from watcher.rulebook.leaves import among
from watcher.rulebook.model import Because, Verdict
from watcher.rulebook.parse_condition import parse_condition
from watcher.rulebook.words import Kind

GROUPS = ["-SN", "SN", "+SN", "-FZRA", "FZRA", "FZDZ", "RA", "-RASN", "FZFG", "BR", "PL", "VCSH", "BLSN"]
CODES = ["SN", "-SN", "RA", "FZRA", "-FZRA", "FZDZ", "PL", "BR", "FG", "FZFG", "BLSN"]
_ORDER = {False: 0, None: 1, True: 2}

# Values and bounds lie close together, so that the room between taking hold and letting go is met often.
WHOLE = st.integers(-3, 3)
ROOM = st.integers(0, 3)


def one_side(field: str, op: str, value: int, room: int, sure: bool) -> dict[str, object]:
    off = value + room if "<" in op else value - room
    return {"field": field, "op": op, "value": value, "off": off, "sure": sure}


def between(field: str, low: int, width: int, room: int, sure: bool) -> dict[str, object]:
    bounds, outer = [low, low + width], [low - room, low + width + room]
    return {"field": field, "op": "between", "value": bounds, "off": outer, "sure": sure}


def weather(op: str, codes: list[str], intensity: list[str]) -> dict[str, object]:
    leaf: dict[str, object] = {"field": "weather", "op": op, "value": codes}
    plain = all(code[0] not in "+-" for code in codes)
    return leaf | ({"intensity": intensity} if intensity and plain else {})


def trees(sure: st.SearchStrategy[bool]) -> st.SearchStrategy[dict[str, object]]:
    number = st.sampled_from(["temp_c", "wind_kt"])
    leaves = st.one_of(
        st.builds(one_side, number, st.sampled_from(["<=", "<", ">=", ">"]), WHOLE, ROOM, sure),
        st.builds(between, number, WHOLE, ROOM, ROOM, sure),
        st.builds(lambda value: {"field": "is_night", "op": "==", "value": value}, st.booleans()),
        st.builds(
            lambda words: {"field": "snow_intensity", "op": "==", "value": words},
            st.lists(st.sampled_from(["none", "light", "heavy"]), min_size=1, unique=True),
        ),
        st.builds(
            weather,
            st.sampled_from(["has", "lacks"]),
            st.lists(st.sampled_from(CODES), min_size=1, max_size=3, unique=True),
            st.lists(st.sampled_from(["light", "moderate", "heavy"]), max_size=2, unique=True),
        ),
    )
    return st.recursive(
        leaves,
        lambda parts: st.one_of(
            st.builds(lambda many: {"all": many}, st.lists(parts, min_size=1, max_size=3)),
            st.builds(lambda many: {"any": many}, st.lists(parts, min_size=1, max_size=3)),
            st.builds(lambda part: {"not": part}, parts),
        ),
        max_leaves=8,
    )


TREES = trees(st.booleans())
SURE_TREES = trees(st.just(True))
KNOWN = {
    "temp_c": st.floats(-6, 6).map(lambda value: round(value, 1)),
    "wind_kt": st.integers(-6, 6).map(float),
    "is_night": st.booleans(),
    "snow_intensity": st.sampled_from(["none", "light", "heavy"]),
    "weather": st.frozensets(st.sampled_from(GROUPS), max_size=3),
}
VALUES = st.fixed_dictionaries(KNOWN)
PARTLY = st.fixed_dictionaries(
    {name: st.none() | strategy for name, strategy in KNOWN.items() if name != "weather"}
    | {"weather": st.none() | st.frozensets(st.sampled_from([*GROUPS, "//", "FZ//"]), max_size=4)}
)


def tree(raw: object) -> Tree:
    problems: list[Problem] = []
    node = parse_condition(raw, "test", problems)
    assert node is not None, problems
    return Tree(node)


def facts(values, intervals=None) -> Facts:
    return Facts("XNOR", datetime(2026, 1, 12, 6, tzinfo=UTC), Kind.OBSERVED, values, intervals or {})


def from_leaves(raw: dict[str, object], leaves: Iterator[Because]) -> Tri:
    """Join the leaves' verdicts again, by the tree as it is written."""
    if "not" in raw:
        return negated(from_leaves(raw["not"], leaves))
    if "all" in raw or "any" in raw:
        answers = [from_leaves(part, leaves) for part in raw.get("all") or raw["any"]]
        return all_of(answers) if "all" in raw else any_of(answers)
    return next(leaves).verdict


def agrees(before: Verdict, after: Verdict) -> bool:
    return before.enter in {None, after.enter} and before.keep in {None, after.keep}


@dataclass(frozen=True)
class Fixed:
    """A part that gives the answer it was made with."""

    answer: tuple[Tri, Tri]

    def compiled(self):
        return lambda _facts: self.answer


ANSWERS = [(enter, keep) for enter in _ORDER for keep in _ORDER if _ORDER[enter] <= _ORDER[keep]]


@pytest.mark.parametrize(("node", "combine"), [(All, all_of), (AnyOf, any_of)])
def test_compiled_nodes_join_every_combination_by_the_tables(node, combine):
    for answers in itertools.product(ANSWERS, repeat=3):
        enter, keep = zip(*answers, strict=True)
        joined = node(tuple(map(Fixed, answers))).compiled()(facts({}))
        assert joined == (combine(enter), combine(keep)), answers


@given(TREES, PARTLY)
def test_what_begins_also_goes_on(raw, values):
    answer = tree(raw).judge(facts(values))
    assert _ORDER[answer.enter] <= _ORDER[answer.keep]


@given(TREES, VALUES, st.sets(st.sampled_from(list(KNOWN))))
def test_an_answer_given_without_a_fact_is_never_contradicted_by_it(raw, values, hidden):
    partly = {name: value for name, value in values.items() if name not in hidden}
    assert agrees(tree(raw).judge(facts(partly)), tree(raw).judge(facts(values)))


@given(SURE_TREES, VALUES, st.floats(0, 1), st.floats(0, 1), st.floats(0, 1))
def test_a_sure_answer_is_never_contradicted_by_the_value_that_was_rounded(raw, values, below, above, where):
    temp = values["temp_c"]
    low, high = temp - below, temp + above
    rounded = tree(raw).judge(facts(values, {"temp_c": (low, high)}))
    exact = low + where * (high - low)
    assert agrees(rounded, tree(raw).judge(facts(values | {"temp_c": min(max(exact, low), high)})))


@pytest.mark.parametrize("code", ["RA", "FZRA", "-FZRA", "FZDZ", "UP", "FG", "FZFG", "SN", "RASN", "PL", "BR", "TS"])
def test_a_code_that_an_unseen_group_may_contain_is_not_denied(code):
    """Fog is part of freezing fog: `has FG` is unknown where no weather can be seen."""
    hidden = [group for group in map(parse_weather, GROUPS) if group.freezes or group.falls]
    if any(matches(group.text, code) for group in hidden):
        assert among(frozenset({"//"}), (code,)) is None
    assert among(frozenset({"//"}), ("VCSH",)) is False


@given(TREES, VALUES, st.sampled_from(["//", "FZ//"]), st.sampled_from(GROUPS))
def test_an_answer_given_half_blind_is_never_contradicted_by_what_was_hidden(raw, values, mark, group):
    """With the freezing rain sensor off, freezing rain is reported as rain; otherwise nothing is."""
    hidden = parse_weather(group)
    assume(hidden.is_freezing_precipitation if mark == "FZ//" else hidden.freezes or hidden.falls)
    seen = values["weather"] | {mark} | ({group.replace("FZ", "")} if mark == "FZ//" else set())
    true = values["weather"] | {group} | ({group.replace("FZ", "")} if mark == "FZ//" else set())
    half_blind = tree(raw).judge(facts(values | {"weather": seen}))
    assert agrees(half_blind, tree(raw).judge(facts(values | {"weather": true})))


@given(TREES, PARTLY, st.booleans())
def test_the_verdict_is_that_of_its_reasons(raw, values, held):
    condition = tree(raw)
    reasons = condition.reasons(facts(values), held=held)
    answer = condition.judge(facts(values))
    leaves = iter(reasons.because)
    assert reasons.verdict is (answer.keep if held else answer.enter) is from_leaves(raw, leaves)
    assert next(leaves, None) is None


@given(TREES, PARTLY, st.booleans())
def test_what_decides_is_enough(raw, values, held):
    condition = tree(raw)
    reasons = condition.reasons(facts(values), held=held)
    assert reasons.decisive
    known = {leaf.field: values[leaf.field] for leaf in reasons.decisive}
    assert condition.reasons(facts(known), held=held).verdict is reasons.verdict


@given(TREES, PARTLY, st.booleans())
def test_margins_tell_the_side_and_every_verdict_has_a_sentence(raw, values, held):
    reasons = tree(raw).reasons(facts(values), held=held)
    for reason in reasons.because:
        if reason.margin is not None and reason.verdict is not None:
            assert reason.margin >= 0 if reason.verdict else reason.margin <= 0
    sentence = explain(reasons, held=held)
    assert sentence.endswith(".")
    assert sentence.startswith("Not known: ") is (reasons.verdict is None)
    assert "None" not in sentence
    assert "//" not in sentence
