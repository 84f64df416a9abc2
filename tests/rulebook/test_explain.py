"""One sentence a dispatcher can act on: what is met and by how much, what is not, what is not known."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from watcher.errors import Problem
from watcher.rulebook.condition import Tree
from watcher.rulebook.explain import explain
from watcher.rulebook.facts import FACTS, Facts
from watcher.rulebook.findings import find
from watcher.rulebook.parse import parse_rules
from watcher.rulebook.parse_condition import parse_condition
from watcher.rulebook.words import Kind

COLD = {"field": "temp_c", "op": "<=", "value": 3.0, "off": 4.0}
MOIST = {"field": "spread_c", "op": "<=", "value": 3.0}


def has(*codes: str, **more: object) -> dict[str, object]:
    return {"field": "weather", "op": "has", "value": list(codes), **more}


def why(raw: object, *, held: bool = False, kind: Kind = Kind.OBSERVED, intervals=None, **values: object) -> str:
    problems: list[Problem] = []
    node = parse_condition(raw, "test", problems)
    assert node is not None, problems
    facts = Facts("XNOR", datetime(2026, 1, 12, 6, tzinfo=UTC), kind, values, intervals or {})
    return explain(Tree(node).reasons(facts, held=held), held=held, kind=kind)


@pytest.mark.parametrize(
    ("raw", "values", "sentence"),
    [
        (
            {"all": [COLD, MOIST]},
            {"temp_c": 1.0, "spread_c": 2.0},
            "Temperature 1 °C (limit 3 °C, 2.0 below) and spread 2 K (limit 3 K, 1.0 below).",
        ),
        ({"all": [COLD, MOIST]}, {"temp_c": 5.0, "spread_c": 2.0}, "Temperature 5 °C (limit 3 °C, 2.0 above)."),
        ({"all": [COLD, MOIST]}, {"temp_c": 1.0}, "Not known: spread."),
        ({"all": [COLD, MOIST]}, {}, "Not known: temperature and spread."),
        (COLD, {"temp_c": 3.0}, "Temperature 3 °C (at the limit 3 °C)."),
        ({"not": COLD}, {"temp_c": 9.0}, "Temperature 9 °C (limit 4 °C, 5.0 above)."),
        (
            {"all": [COLD, {"field": "temp_c", "op": ">", "value": -15.0}]},
            {"temp_c": 2.0},
            "Temperature 2 °C (limit 3 °C, 1.0 below).",
        ),
        (has("-FZDZ", "FZRA"), {"weather": frozenset({"-FZDZ", "BR"})}, "-FZDZ is reported."),
        (has("SN", "SG"), {"weather": frozenset({"BR"})}, "No SN or SG is reported (BR is)."),
        (has("SN"), {"weather": frozenset()}, "No SN is reported."),
        (has("SN"), {"weather": None}, "Not known: present weather."),
        (
            has("FZRA"),
            {"weather": frozenset({"BR", "FZ//"})},
            "Not known: freezing rain or drizzle, whose sensor is off.",
        ),
        (
            has("FZRA", intensity=["moderate", "heavy"]),
            {"weather": frozenset({"-FZRA"})},
            "No moderate or heavy FZRA is reported (-FZRA is).",
        ),
        (
            {"field": "snow_intensity", "op": "==", "value": "heavy"},
            {"snow_intensity": "very_light"},
            "Snowfall by visibility, temperature and daylight is very light.",
        ),
        ({"field": "is_night", "op": "==", "value": True}, {"is_night": False}, "It is day."),
        (
            {"field": "p_active_frost", "op": ">=", "value": 0.4},
            {"p_active_frost": 0.55},
            "Probability that frost is forming 0.55 (limit 0.4, 0.15 above).",
        ),
        (
            {"field": "wind_kt", "op": "between", "value": [3, 10]},
            {"wind_kt": 12.0},
            "Wind 12 kt (outside 3 to 10 kt).",
        ),
        (
            {"field": "visibility_m", "op": "<=", "value": 1000, "off": 1500},
            {"visibility_m": 350.0},
            "Visibility 350 m (limit 1000 m, 650 below).",
        ),
    ],
)
def test_why_in_one_plain_sentence(raw, values, sentence):
    assert why(raw, **values) == sentence


def test_a_rule_that_holds_says_how_far_its_release_is():
    assert why(COLD, held=True, temp_c=3.5) == "Temperature 3.5 °C (0.5 K from release at 4 °C)."
    assert why(COLD, held=True, temp_c=5.0) == "Temperature 5 °C (limit 4 °C, 1.0 above)."


def test_only_what_decides_is_told():
    either = {"any": [has("FZRA"), {"all": [has("UP"), COLD]}]}
    assert why(either, weather=frozenset({"FZRA"}), temp_c=-1.0) == "FZRA is reported."


def test_a_forecast_is_not_called_a_report():
    assert why(has("SN"), kind=Kind.EXPECTED, weather=frozenset({"-SN"})) == "-SN is forecast."


def test_rounding_that_leaves_both_sides_open_is_said():
    sure = {"field": "temp_c", "op": "<=", "value": 0.0, "sure": True}
    assert why(sure, intervals={"temp_c": (-0.5, 0.5)}, temp_c=0.0) == (
        "Not known: on which side of the limit the temperature is, rounded to 0 °C."
    )


def test_a_finding_carries_rule_level_reasons_and_their_age():
    (rule,) = parse_rules(
        """
[[rule]]
name = "cold"
flag = "deicing-likely"
level = "prepare"
text = "Cold"
source = "common practice, no source"
when = { field = "temp_c", op = "<=", value = 3.0, off = 4.0 }
""",
        "mine.toml",
    ).rules
    values = {"temp_c": 3.5, "report_age_min": 12.0}
    facts = Facts("XNOR", datetime(2026, 1, 12, 6, tzinfo=UTC), Kind.OBSERVED, values)
    begins, goes_on = (find(rule, facts, Kind.OBSERVED, held=held) for held in (False, True))
    assert (begins.verdict, goes_on.verdict) == (False, True)
    (leaf,) = goes_on.because
    assert (leaf.value, leaf.threshold, leaf.margin, leaf.off, leaf.unit, leaf.age_min) == (
        3.5,
        4.0,
        0.5,
        4.0,
        "°C",
        12.0,
    )


@pytest.mark.parametrize("spec", FACTS, ids=lambda spec: spec.name)
def test_every_fact_has_words_for_a_sentence(spec):
    assert spec.noun
    assert all(spec.says) is (spec.type == "flag")
