"""How far a rule is from turning: in steps, through all, any and not, and never a number where none can turn it."""

from __future__ import annotations

from datetime import UTC, datetime
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.rulebook.facts import Facts, Value
from watcher.rulebook.model import Rule
from watcher.rulebook.nearness import turning
from watcher.rulebook.parse import parse_rules
from watcher.rulebook.words import Kind

COLD = '{ field = "temp_c", op = "<=", value = 3.0, off = 4.0 }'
MOIST = '{ field = "spread_c", op = "<=", value = 2.0 }'
SNOW = '{ field = "weather", op = "has", value = ["SN"] }'
WINDY = '{ field = "wind_kt", op = ">=", value = 10.0 }'


def rule(when: str) -> Rule:
    head = (
        '[[rule]]\nname = "invented"\nflag = "snow"\nlevel = "note"\ntext = "An invented rule"\nsource = "invented"\n'
    )
    return parse_rules(f"{head}when = {when}\n", "x.toml").rules[0]


def facts(**values: Value) -> Facts:
    return Facts("XNOR", datetime(2026, 1, 12, tzinfo=UTC), Kind.OBSERVED, values)


@pytest.mark.parametrize(
    ("when", "values", "steps"),
    [
        (COLD, {"temp_c": 5.0}, 2.0),
        (COLD, {"temp_c": 1.0}, 2.0),
        (f"{{ all = [{COLD}, {MOIST}] }}", {"temp_c": 4.0, "spread_c": 5.0}, 3.0),
        (f"{{ any = [{COLD}, {MOIST}] }}", {"temp_c": 4.0, "spread_c": 5.0}, 1.0),
        (f"{{ all = [{COLD}, {MOIST}] }}", {"temp_c": 1.0, "spread_c": 1.5}, 0.5),
        (f"{{ not = {WINDY} }}", {"wind_kt": 15.0}, 1.0),
        (f"{{ all = [{COLD}, {SNOW}] }}", {"temp_c": 4.0, "weather": frozenset({"BR"})}, inf),
        (f"{{ any = [{COLD}, {SNOW}] }}", {"temp_c": 4.0, "weather": frozenset({"BR"})}, 1.0),
        (COLD, {}, inf),
    ],
)
def test_steps_to_the_other_verdict(when: str, values: dict[str, Value], steps: float) -> None:
    assert turning(rule(when), facts(**values), held=False) == pytest.approx(steps)


def test_what_is_held_turns_at_its_release() -> None:
    assert turning(rule(COLD), facts(temp_c=3.5), held=True) == pytest.approx(0.5)
    assert turning(rule(COLD), facts(temp_c=3.5), held=False) == pytest.approx(0.5)
    assert turning(rule(COLD), facts(temp_c=1.0), held=True) == pytest.approx(3.0)


@given(st.floats(-30, 30), st.floats(0.1, 20))
def test_a_change_of_fewer_steps_never_turns_a_rule_and_of_more_does(temp_c: float, further: float) -> None:
    cold = rule(COLD)
    away = turning(cold, facts(temp_c=temp_c), held=False)
    before = cold.when.judge(facts(temp_c=temp_c)).enter
    towards = -1 if before is False else 1
    assert cold.when.judge(facts(temp_c=temp_c + towards * away * 0.98)).enter is before or away <= 0.011
    assert cold.when.judge(facts(temp_c=temp_c + towards * (away + further))).enter is not before
