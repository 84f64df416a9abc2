"""From the `when` of a rule file to a condition tree, saying all that is wrong with it."""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite
from typing import Any

from watcher.errors import Problem, nearest
from watcher.reports.weather import parse_weather
from watcher.rulebook.condition import All, AnyOf, Node, Not
from watcher.rulebook.facts import FACTS_BY_NAME, FactSpec
from watcher.rulebook.leaves import INTENSITY_BY_SIGN, BetweenLeaf, EqualLeaf, NumberLeaf, WeatherLeaf

OPS_BY_TYPE: Mapping[str, tuple[str, ...]] = {
    "number": ("<=", "<", ">=", ">", "between"),
    "flag": ("==",),
    "word": ("==",),
    "weather": ("has", "lacks"),
}
INTENSITIES = tuple(INTENSITY_BY_SIGN.values())
LEAF_KEYS = ("field", "op", "value", "off", "sure", "intensity")
NODE_KEYS = ("all", "any", "not")
_KEY_BELONGS_TO = {"off": "number", "sure": "number", "intensity": "weather"}
_SCHEMA_HINT = "see hoarline rules schema"


def parse_condition(raw: object, where: str, problems: list[Problem]) -> Node | None:
    """Return the node of one table; None when something in it is wrong, which is then among the problems."""
    if not isinstance(raw, dict):
        problems.append(
            Problem(where, "a condition is a table", f"write field, op and value, or all, any, not; {_SCHEMA_HINT}")
        )
        return None
    given = [key for key in NODE_KEYS if key in raw]
    if not given:
        return _leaf(raw, where, problems)
    if len(raw) > 1:
        problems.append(
            Problem(
                where,
                f'"{given[0]}" stands alone in its table',
                f"it has also {', '.join(sorted(set(raw) - {given[0]}))}",
            )
        )
        return None
    return _node(given[0], raw[given[0]], where, problems)


def _node(kind: str, parts: object, where: str, problems: list[Problem]) -> Node | None:
    if kind == "not":
        part = parse_condition(parts, f"{where}.not", problems)
        return Not(part) if part is not None else None
    if not isinstance(parts, list) or not parts:
        problems.append(Problem(f"{where}.{kind}", "needs a list of conditions", "at least one"))
        return None
    found = [parse_condition(part, f"{where}.{kind}[{index}]", problems) for index, part in enumerate(parts)]
    whole = tuple(part for part in found if part is not None)
    if len(whole) < len(found):
        return None
    return All(whole) if kind == "all" else AnyOf(whole)


def _leaf(raw: dict[str, Any], where: str, problems: list[Problem]) -> Node | None:
    before = len(problems)
    problems.extend(
        Problem(where, f'key "{key}" is not known', nearest(key, (*LEAF_KEYS, *NODE_KEYS)))
        for key in raw
        if key not in LEAF_KEYS
    )
    problems.extend(Problem(where, f'"{key}" is missing') for key in ("field", "op", "value") if key not in raw)
    spec = FACTS_BY_NAME.get(str(raw.get("field")))
    if spec is None and "field" in raw:
        problems.append(
            Problem(
                where,
                f'field "{raw["field"]}" is not known',
                f"{nearest(str(raw['field']), FACTS_BY_NAME)} {_SCHEMA_HINT}",
            )
        )
    if spec is not None and "op" in raw and raw["op"] not in OPS_BY_TYPE[spec.type]:
        allowed = " ".join(OPS_BY_TYPE[spec.type])
        problems.append(
            Problem(where, f'op "{raw["op"]}" does not fit the {spec.type} fact {spec.name}', f"allowed: {allowed}")
        )
    if spec is not None:
        problems.extend(
            Problem(where, f'"{key}" belongs to {kind} facts only, and {spec.name} is a {spec.type}')
            for key, kind in _KEY_BELONGS_TO.items()
            if key in raw and spec.type != kind
        )
    if len(problems) > before or spec is None:
        return None
    return _LEAVES[spec.type](spec, raw, where, problems)


def _number_leaf(spec: FactSpec, raw: dict[str, Any], where: str, problems: list[Problem]) -> Node | None:
    if raw["op"] == "between":
        return _between_leaf(spec, raw, where, problems)
    value, off = raw["value"], raw.get("off", raw["value"])
    if not _is_number(value) or not _is_number(off):
        problems.append(Problem(where, f"{spec.name} is compared with a number", f"value = {value!r}, off = {off!r}"))
        return None
    wrong_side = off < value if raw["op"] in {"<", "<="} else off > value
    if wrong_side:
        side = "at or above" if raw["op"] in {"<", "<="} else "at or below"
        problems.append(
            Problem(where, f"off = {off} would let go before it takes hold", f"with {raw['op']} it lies {side} {value}")
        )
        return None
    return NumberLeaf(spec.name, raw["op"], float(value), float(off), _sure(raw, where, problems))


def _between_leaf(spec: FactSpec, raw: dict[str, Any], where: str, problems: list[Problem]) -> Node | None:
    value, off = raw["value"], raw.get("off", raw["value"])
    pairs = [pair for pair in (value, off) if isinstance(pair, list) and len(pair) == 2 and all(map(_is_number, pair))]
    if len(pairs) < 2 or value[0] > value[1]:
        problems.append(Problem(where, "between takes two numbers, the lower first", "such as value = [-10, 0]"))
        return None
    if off[0] > value[0] or off[1] < value[1]:
        problems.append(Problem(where, f"off = {off} would let go before it takes hold", f"it encloses {value}"))
        return None
    bounds, outer = (float(value[0]), float(value[1])), (float(off[0]), float(off[1]))
    return BetweenLeaf(spec.name, bounds, outer, _sure(raw, where, problems))


def _sure(raw: dict[str, Any], where: str, problems: list[Problem]) -> bool:
    sure = raw.get("sure", False)
    if not isinstance(sure, bool):
        problems.append(Problem(where, f"sure = {sure!r}", "allowed: true, false"))
    return sure is True


def _equal_leaf(spec: FactSpec, raw: dict[str, Any], where: str, problems: list[Problem]) -> Node | None:
    values = raw["value"] if isinstance(raw["value"], list) else [raw["value"]]
    allowed: tuple[object, ...] = (True, False) if spec.type == "flag" else spec.words
    wrong = [
        value
        for value in values
        if not any(value is word or (value == word and spec.type == "word") for word in allowed)
    ]
    if wrong or not values:
        remedy = "allowed: true, false" if spec.type == "flag" else nearest(str(wrong[0] if wrong else ""), spec.words)
        problems.append(Problem(where, f"{spec.name} is never {wrong[0] if wrong else 'nothing'!r}", remedy))
        return None
    return EqualLeaf(spec.name, tuple(values))


def _weather_leaf(spec: FactSpec, raw: dict[str, Any], where: str, problems: list[Problem]) -> Node | None:
    codes = raw["value"] if isinstance(raw["value"], list) else [raw["value"]]
    wrong = [code for code in codes if not isinstance(code, str) or parse_weather(code) is None]
    if wrong or not codes:
        problems.append(
            Problem(where, f"{wrong or codes} is no weather group of code table 4678", "such as -FZDZ, SN, SHSN, FZFG")
        )
        return None
    intensity = _intensity(raw, codes, where, problems)
    return None if intensity is None else WeatherLeaf(spec.name, raw["op"], tuple(codes), intensity)


def _intensity(raw: dict[str, Any], codes: list[str], where: str, problems: list[Problem]) -> tuple[str, ...] | None:
    if "intensity" not in raw:
        return ()
    words = raw["intensity"] if isinstance(raw["intensity"], list) else [raw["intensity"]]
    wrong = [word for word in words if word not in INTENSITIES]
    if wrong or not words:
        remedy = nearest(str(wrong[0] if wrong else ""), INTENSITIES)
        problems.append(Problem(where, f"intensity is never {wrong[0] if wrong else 'nothing'!r}", remedy))
        return None
    signed = [code for code in codes if code[0] in "+-"]
    if signed:
        problems.append(Problem(where, f"{signed[0]} has a sign, and intensity says the same", "leave one of them out"))
        return None
    return tuple(words)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value)


_LEAVES = {"number": _number_leaf, "flag": _equal_leaf, "word": _equal_leaf, "weather": _weather_leaf}
