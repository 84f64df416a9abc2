"""The JSON Schema of a rule file, made from the models of its text and the table of facts."""

from __future__ import annotations

from typing import Any

from watcher.rulebook.facts import FACTS, FactSpec
from watcher.rulebook.parse import RuleText
from watcher.rulebook.parse_condition import OPS_BY_TYPE


def rules_schema() -> dict[str, Any]:
    """Return the schema (draft 2020-12) of a rule file read as JSON."""
    rule = RuleText.model_json_schema(ref_template="#/$defs/{model}")
    definitions = rule.pop("$defs", {})
    rule["properties"]["when"] = {"$ref": "#/$defs/condition", "description": "The condition."}
    definitions["rule"] = rule
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
    return {"oneOf": [*nodes, *(_leaf(spec) for spec in FACTS)]}


def _only(key: str, value: dict[str, Any]) -> dict[str, Any]:
    return {"type": "object", "properties": {key: value}, "required": [key], "additionalProperties": False}


def _leaf(spec: FactSpec) -> dict[str, Any]:
    unit = f" in {spec.unit}" if spec.unit else ""
    properties: dict[str, Any] = {
        "field": {"const": spec.name},
        "op": {"enum": list(OPS_BY_TYPE[spec.type])},
        "value": _value(spec),
    }
    if spec.type == "number":
        properties["off"] = _value(spec)
        properties["sure"] = {"type": "boolean"}
    return {
        "type": "object",
        "description": f"{spec.meaning}{unit}",
        "properties": properties,
        "required": ["field", "op", "value"],
        "additionalProperties": False,
    }


def _value(spec: FactSpec) -> dict[str, Any]:
    if spec.type == "number":
        pair = {"type": "array", "items": {"type": "number"}, "minItems": 2, "maxItems": 2}
        return {"anyOf": [{"type": "number"}, pair]}
    if spec.type == "flag":
        return {"type": "boolean"}
    one: dict[str, Any] = {"enum": list(spec.words)} if spec.type == "word" else {"type": "string"}
    return {"anyOf": [one, {"type": "array", "items": one, "minItems": 1}]}
