"""The JSON Schema of a rule file, made from the models of its text and the table of facts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from watcher.rulebook.facts import FACTS, FactSpec
from watcher.rulebook.parse import RuleText
from watcher.rulebook.parse_condition import INTENSITIES, OPS_BY_TYPE
from watcher.rulebook.words import Level


def rules_schema() -> dict[str, Any]:
    """Return the schema (draft 2020-12) of a rule file read as JSON."""
    rule = RuleText.model_json_schema(ref_template="#/$defs/{model}")
    definitions = rule.pop("$defs", {})
    rule["properties"]["when"] = {"$ref": "#/$defs/condition", "description": "The condition."}
    # Level no-time says why no holdover time exists, and no other level does.
    rule["if"] = {"properties": {"level": {"const": Level.NO_TIME.word}}}
    rule["then"] = {"required": ["no_time"]}
    rule["else"] = {"not": {"required": ["no_time"]}}
    definitions["rule"] = rule
    definitions["ExampleText"]["properties"]["facts"] = {
        "type": "object",
        "description": "Facts by name, alone or laid over those of the report.",
        "properties": {spec.name: _fact_value(spec) for spec in FACTS},
        "additionalProperties": False,
    }
    definitions["condition"] = _condition()
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Hoarline rules",
        "type": "object",
        "additionalProperties": False,
        "properties": {"rule": {"type": "array", "items": {"$ref": "#/$defs/rule"}}},
        "$defs": definitions,
    }


def _condition() -> dict[str, Any]:
    parts = {"type": "array", "minItems": 1, "items": {"$ref": "#/$defs/condition"}}
    nodes: list[dict[str, Any]] = [
        _only("all", parts),
        _only("any", parts),
        _only("not", {"$ref": "#/$defs/condition"}),
    ]
    return {"oneOf": [*nodes, *(leaf for spec in FACTS for leaf in _leaves(spec))]}


def _only(key: str, value: dict[str, Any]) -> dict[str, Any]:
    return {"type": "object", "properties": {key: value}, "required": [key], "additionalProperties": False}


_BOUNDARY: dict[str, Any] = {"type": "number"}
_PAIR: dict[str, Any] = {"type": "array", "items": _BOUNDARY, "minItems": 2, "maxItems": 2}


def _leaves(spec: FactSpec) -> list[dict[str, Any]]:
    """Return the forms of a leaf about one fact: numbers have one with a bound, and one with a pair of them."""
    ops = OPS_BY_TYPE[spec.type]
    if spec.type == "number":
        sides = [op for op in ops if op != "between"]
        sure = {"type": "boolean", "default": False}
        return [
            _leaf(spec, sides, value=_BOUNDARY, off=_BOUNDARY, sure=sure),
            _leaf(spec, ["between"], value=_PAIR, off=_PAIR, sure=sure),
        ]
    if spec.type == "flag":
        return [_leaf(spec, ops, value={"type": "boolean"})]
    if spec.type == "word":
        return [_leaf(spec, ops, value=_one_or_more({"enum": list(spec.words)}))]
    group = {"type": "string", "pattern": "^([+-]|VC)?([A-Z]{2}){1,5}$"}
    return [_leaf(spec, ops, value=_one_or_more(group), intensity=_one_or_more({"enum": list(INTENSITIES)}))]


def _leaf(spec: FactSpec, ops: Sequence[str], **more: dict[str, Any]) -> dict[str, Any]:
    unit = f", in {spec.unit}" if spec.unit else ""
    return {
        "type": "object",
        "description": f"{spec.meaning}{unit}",
        "properties": {"field": {"const": spec.name}, "op": {"enum": list(ops)}, **more},
        "required": ["field", "op", "value"],
        "additionalProperties": False,
    }


def _one_or_more(one: dict[str, Any]) -> dict[str, Any]:
    return {"anyOf": [one, {"type": "array", "items": one, "minItems": 1}]}


def _fact_value(spec: FactSpec) -> dict[str, Any]:
    kinds: dict[str, dict[str, Any]] = {
        "number": {"type": "number"},
        "flag": {"type": "boolean"},
        "word": {"enum": list(spec.words)},
        "weather": {"type": "array", "items": {"type": "string"}},
    }
    return {**kinds[spec.type], "description": spec.meaning}
