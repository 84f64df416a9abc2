"""How far a condition is from turning, so that people see first what may happen next."""

from __future__ import annotations

from math import inf

from watcher.rulebook.condition import All, AnyOf, Node, Not, Tree
from watcher.rulebook.facts import FACTS_BY_NAME, Facts
from watcher.rulebook.model import Rule

# What counts as one step of each unit, so that different facts can be put in one order. Common practice, no source.
_STEP = {"°C": 1.0, "K": 1.0, "%": 5.0, "kt": 5.0, "m": 1000.0, "ft": 500.0, "min": 30.0, "h": 1.0, "cm": 5.0}
_OTHER_STEP = 0.1


def turning(rule: Rule, facts: Facts, *, held: bool) -> float:
    """Return how many steps the facts are from giving a rule the other verdict.

    Parameters
    ----------
    rule, facts
        What is judged by what.
    held
        The rule holds already, so that its release thresholds count.

    Returns
    -------
    float
        0 and more, one for each kelvin, 5 kt, 1000 m and so on; infinite where no number of these facts can turn it, as
        when weather would have to come up, and where the verdict is not known.
    """
    assert isinstance(rule.when, Tree)
    to_true, to_false = _ways(rule.when.root, facts, held=held, denied=False)
    return to_false if to_true == 0.0 else to_true


def _ways(node: Node, facts: Facts, *, held: bool, denied: bool) -> tuple[float, float]:
    """Return the steps to true and to false; 0 for the verdict that it has."""
    if isinstance(node, Not):
        to_true, to_false = _ways(node.part, facts, held=not held, denied=not denied)
        return to_false, to_true
    if isinstance(node, All | AnyOf):
        parts = [_ways(part, facts, held=held, denied=denied) for part in node.parts]
        every, one = (0, 1) if isinstance(node, All) else (1, 0)
        ways = max(part[every] for part in parts), min(part[one] for part in parts)
        return ways if isinstance(node, All) else (ways[1], ways[0])
    leaf = node.because(facts, held=held, denied=denied)
    if leaf.verdict is None:
        return inf, inf
    away = inf if leaf.margin is None else abs(leaf.margin) / _STEP.get(FACTS_BY_NAME[leaf.field].unit, _OTHER_STEP)
    # At the very limit the next tenth turns it.
    away = max(away, 0.01)
    return (0.0, away) if leaf.verdict else (away, 0.0)
