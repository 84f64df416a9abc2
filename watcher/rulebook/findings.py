"""One rule against one set of facts, with its reasons. Made when asked for; verdicts alone are cheaper."""

from __future__ import annotations

from watcher.rulebook.explain import explain
from watcher.rulebook.facts import Facts
from watcher.rulebook.model import Finding, Rule
from watcher.rulebook.words import Kind


def find(rule: Rule, facts: Facts, kind: Kind, *, held: bool = False) -> Finding:
    """Return the verdict of a rule with every leaf and one sentence why.

    Parameters
    ----------
    rule, facts
        What is judged by what.
    kind
        Whether the facts are reported or expected.
    held
        The rule holds already: it is asked whether it goes on.
    """
    reasons = rule.when.reasons(facts, held=held)
    return Finding(
        rule=rule.name,
        flag=rule.flag,
        level=rule.level,
        kind=kind,
        verdict=reasons.verdict,
        why=explain(reasons, held=held, kind=kind),
        because=reasons.because,
        no_time=rule.no_time,
    )
