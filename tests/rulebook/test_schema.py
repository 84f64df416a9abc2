"""The JSON Schema of a rule file, by the jsonschema package: what an editor would say of it."""

from __future__ import annotations

import json
import tomllib

import pytest
from hypothesis import given, settings
from jsonschema import Draft202012Validator

from tests.rulebook.test_condition_properties import TREES
from watcher.rulebook.facts import FACTS
from watcher.rulebook.schema import rules_schema
from watcher.rulebook.words import Flag
from watcher.service.rules_folder import read_rule_texts

SCHEMA = rules_schema()
VALIDATOR = Draft202012Validator(SCHEMA)
GOOD = {
    "name": "cold",
    "flag": "deicing-likely",
    "level": "prepare",
    "text": "Cold",
    "source": "common practice, no source",
    "when": {"field": "temp_c", "op": "<=", "value": 0.0},
}


def accepts(**changes: object) -> bool:
    rule = {key: value for key, value in (GOOD | changes).items() if value is not None}
    return VALIDATOR.is_valid({"rule": [rule]})


def test_it_is_a_schema_of_draft_2020_12_and_plain_json():
    Draft202012Validator.check_schema(SCHEMA)
    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert json.loads(json.dumps(SCHEMA)) == SCHEMA


@pytest.mark.parametrize("name", read_rule_texts())
def test_the_shipped_rules_fit_it(name):
    VALIDATOR.validate(tomllib.loads(read_rule_texts()[name]))


def test_a_good_rule_is_taken_and_what_the_loader_refuses_is_refused():
    assert accepts()
    assert accepts(level="no-time", no_time="special")
    assert accepts(when={"field": "weather", "op": "has", "value": ["FZRA"], "intensity": "heavy"})
    assert not accepts(flag="deicing")
    assert not accepts(level="no-time")
    assert not accepts(no_time="none")
    assert not accepts(kinds=[])
    assert not accepts(colour="red")
    assert not accepts(source=None)
    assert not accepts(settle={"reports": 0})
    for when in (
        {"field": "temp_f", "op": "<=", "value": 0},
        {"field": "temp_c", "op": "==", "value": 0},
        {"field": "temp_c", "op": "between", "value": 0},
        {"field": "temp_c", "op": "<=", "value": [0, 1]},
        {"field": "temp_c", "op": "<=", "value": 0, "intensity": "light"},
        {"field": "weather", "op": "has", "value": "snow"},
        {"field": "snow_intensity", "op": "==", "value": "violent"},
        {"field": "is_night", "op": "==", "value": "yes"},
        {"all": []},
        {"all": [{"field": "is_night", "op": "==", "value": True}], "any": []},
    ):
        assert not accepts(when=when), when


def test_it_knows_every_fact_and_flag():
    asked = {"number": 1.0, "flag": True, "weather": "SN"}
    ops = {"number": "<", "flag": "==", "word": "==", "weather": "has"}
    for spec in FACTS:
        value = spec.words[0] if spec.type == "word" else asked[spec.type]
        assert accepts(when={"field": spec.name, "op": ops[spec.type], "value": value})
    assert all(accepts(flag=flag.value) for flag in Flag)


@settings(max_examples=40)
@given(TREES)
def test_every_condition_that_loads_fits_it(raw):
    assert accepts(when=raw)
