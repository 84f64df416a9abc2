"""Runs the examples that stand in the rule files, through the same decoder and facts as everything else."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from watcher.errors import Problem, nearest
from watcher.outlook.steps import expected_steps
from watcher.reports.decode import decode_report
from watcher.reports.model import Forecast, Observation
from watcher.reports.station import Station
from watcher.rulebook.explain import explain
from watcher.rulebook.facts import FACTS_BY_NAME, Facts, Value
from watcher.rulebook.kleene import any_of
from watcher.rulebook.observed import observed_facts
from watcher.rulebook.parse import Example, ExampleText, ParsedFile
from watcher.rulebook.words import Kind
from watcher.units import parse_iso_z

_TIME = re.compile(r"\b(\d{2})(\d{2})(\d{2})Z\b")
_WORDS: Mapping[bool | None, str] = {True: "true", False: "false", None: "unknown"}


class _BadExample(ValueError):
    pass


def check_examples(files: Sequence[ParsedFile]) -> tuple[Problem, ...]:
    """Return one problem for each example that the rules do not meet; a replaced rule's examples are not run."""
    in_force = {rule.name: rule for file in files for rule in file.rules}
    problems = []
    for file in files:
        for example in file.examples:
            if in_force[example.rule.name] is example.rule:
                problems.extend(_check(example))
    return tuple(problems)


def _check(example: Example) -> list[Problem]:
    try:
        facts = _facts(example.text)
    except _BadExample as error:
        return [Problem(example.where, str(error))]
    text = example.text
    answers = [example.rule.when.judge(item) for item in facts]
    verdict = any_of(answer.keep if text.held else answer.enter for answer in answers)
    expected = None if text.expect == "unknown" else text.expect
    if verdict is expected:
        return []
    why = _why(example, facts, verdict)
    what = f"expects {_WORDS[expected]}, but the rule says {_WORDS[verdict]}"
    return [Problem(example.where, what, why)]


def _why(example: Example, facts: Sequence[Facts], verdict: bool | None) -> str:
    """Return why, from the first of the facts that give the verdict."""
    held = example.text.held
    for item in facts:
        reasons = example.rule.when.reasons(item, held=held)
        if reasons.verdict is verdict:
            return explain(reasons, held=held, kind=item.kind)
    return "the TAF says nothing about that time"


def _facts(text: ExampleText) -> list[Facts]:
    station = _station(text.position)
    if text.report is not None:
        return [_laid_over(_of_report(text.report, station), text.facts)]
    if text.taf is not None:
        assert text.at is not None
        return [_laid_over(facts, text.facts) for facts in _of_taf(text.taf, text.at, station)]
    return [_laid_over(Facts("XNOR", datetime(2026, 1, 12, 6, tzinfo=UTC), Kind.OBSERVED, {}), text.facts)]


def _of_report(report: str, station: Station) -> Facts:
    received_at = _received(report)
    decoded = decode_report(report, received_at=received_at)
    if not isinstance(decoded, Observation):
        raise _BadExample(f'"{report}" is no METAR or SPECI that can be read')
    return observed_facts(decoded, station=station, history=(), now=received_at)


def _of_taf(taf: str, at: str, station: Station) -> list[Facts]:
    try:
        when = parse_iso_z(at)
    except ValueError as error:
        raise _BadExample(f"at: {error}") from error
    decoded = decode_report(taf, received_at=when, kind="TAF")
    if not isinstance(decoded, Forecast) or decoded.begins_at is None:
        raise _BadExample(f'"{taf}" is no TAF that can be read')
    now = min(when, decoded.begins_at)
    steps = expected_steps(decoded, station=station, latest=None, now=now)
    return [step.facts for step in steps if step.begins_at <= when < step.ends_at]


def _received(report: str) -> datetime:
    """Return a time of receipt in January 2026, five minutes after the report."""
    match = _TIME.search(report)
    if match is None:
        raise _BadExample(f'"{report}" has no time of observation')
    try:
        observed = datetime(2026, 1, int(match[1]), int(match[2]), int(match[3]), tzinfo=UTC)
    except ValueError as error:
        raise _BadExample(f"{match[0]}: {error}") from error
    return observed + timedelta(minutes=5)


def _station(position: str | None) -> Station:
    if position is None:
        return Station("XNOR")
    try:
        latitude, longitude, elevation = (float(part) for part in position.split(","))
    except ValueError as error:
        raise _BadExample(f'position "{position}" is not latitude,longitude,elevation') from error
    return Station("XNOR", None, None, latitude, longitude, elevation)


def _laid_over(facts: Facts, extra: Mapping[str, Any] | None) -> Facts:
    if not extra:
        return facts
    values = dict(facts.values)
    for name, value in extra.items():
        spec = FACTS_BY_NAME.get(name)
        if spec is None:
            raise _BadExample(f'fact "{name}" is not known; {nearest(name, FACTS_BY_NAME)}')
        values[name] = _value(spec.type, value, name)
    return Facts(facts.station, facts.at, facts.kind, values, facts.intervals, facts.reported_at)


def _value(kind: str, value: object, name: str) -> Value:
    if kind == "weather" and isinstance(value, list):
        return frozenset(str(item) for item in value)
    if kind == "number" and isinstance(value, int | float) and not isinstance(value, bool):
        return float(value)
    if kind == "flag" and isinstance(value, bool):
        return value
    if kind == "word" and isinstance(value, str):
        return value
    raise _BadExample(f"fact {name} = {value!r} is no {kind}")
