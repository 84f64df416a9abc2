"""The periods in which rules are expected to hold."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

from watcher.outlook.model import Expectation, Step
from watcher.rulebook.model import Rule, Rulebook
from watcher.rulebook.words import Kind
from watcher.units import clock_z


def expectations(rulebook: Rulebook, steps: Sequence[Step], *, held: Collection[str] = ()) -> tuple[Expectation, ...]:
    """Return where a rule is expected to hold, by beginning; neighbouring steps of like certainty are one period.

    A rule that is unknown in a step is not expected there: the silence of a TAF and what it does not carry open
    nothing. The rules named in `held` are expected already and go on by their release thresholds.
    """
    rules = rulebook.of_kind(Kind.EXPECTED)
    found: list[Expectation] = []
    running: dict[tuple[str, str], int] = {}
    for step in steps:
        for rule in rules:
            verdict = rule.when.judge(step.facts)
            if (verdict.keep if rule.name in held else verdict.enter) is not True:
                continue
            key = (rule.name, step.certainty.value)
            index = running.get(key)
            if index is not None and found[index].ends_at == step.begins_at:
                found[index] = replace(found[index], ends_at=step.ends_at)
            else:
                running[key] = len(found)
                found.append(_expectation(rule, step))
    return tuple(sorted(found, key=lambda item: (item.begins_at, -item.level, item.rule)))


def _expectation(rule: Rule, step: Step) -> Expectation:
    return Expectation(
        rule=rule.name,
        flag=rule.flag,
        level=rule.level,
        certainty=step.certainty,
        since=step.since,
        begins_at=step.begins_at,
        ends_at=step.ends_at,
        why=_why(step),
        no_time=rule.no_time,
    )


def _why(step: Step) -> str:
    """Return what the TAF says there, in one sentence."""
    values = step.facts.values
    weather = values.get("weather")
    parts = [" ".join(sorted(weather))] if isinstance(weather, frozenset) and weather else []
    visibility = values.get("visibility_m")
    if isinstance(visibility, float) and visibility < 10000:
        parts.append(f"visibility {visibility:.0f} m")
    temp, dew = values.get("temp_c"), values.get("dew_point_c")
    if isinstance(temp, float):
        dew_text = f", dew point {dew:.0f}" if isinstance(dew, float) else ""
        parts.append(f"about {round(temp) + 0} °C{dew_text}")
    issued = f" issued {clock_z(step.facts.reported_at)}" if step.facts.reported_at is not None else ""
    return f"TAF{issued} gives {', '.join(parts) or 'this'} ({step.certainty.value})."
