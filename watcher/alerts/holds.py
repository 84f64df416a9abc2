"""How the rules of one flag take hold and let go, report by report.

A rule that does not hold asks `enter`; a rule that holds asks `keep`. Unknown neither begins nor ends anything.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime

from watcher.alerts.model import Hold
from watcher.rulebook.facts import Facts
from watcher.rulebook.model import Rule


def updated_holds(
    holds: Iterable[Hold], rules: Iterable[Rule], facts: Facts, *, observed_at: datetime, may_begin: bool
) -> tuple[Hold, ...]:
    """Return the holds of one flag after one report.

    Parameters
    ----------
    holds
        The holds before the report. Those whose rule is not among `rules` are dropped.
    rules
        The flag's rules that are judged on reports.
    facts
        What the report says.
    observed_at
        Observation time of the report; settling counts by it.
    may_begin
        False for a report that was stale when first seen: it opens nothing.
    """
    before = {hold.rule: hold for hold in holds}
    after = []
    for rule in rules:
        hold = before.get(rule.name)
        if hold is not None:
            kept = _kept(hold, rule, facts, observed_at)
        else:
            kept = _begun(rule, facts, observed_at) if may_begin else None
        if kept is not None:
            after.append(kept)
    return _skip_wait_when_rising(tuple(after), before)


def of_known_rules(holds: Iterable[Hold], rules: Iterable[Rule]) -> tuple[Hold, ...]:
    """Return the holds whose rule is still in the book, at the level that the book now gives."""
    by_name = {rule.name: rule for rule in rules}
    return tuple(
        hold
        if (hold.level, hold.no_time) == (by_name[hold.rule].level, by_name[hold.rule].no_time)
        else replace(hold, level=by_name[hold.rule].level, no_time=by_name[hold.rule].no_time)
        for hold in holds
        if hold.rule in by_name
    )


def _begun(rule: Rule, facts: Facts, observed_at: datetime) -> Hold | None:
    if rule.when.judge(facts).enter is not True:
        return None
    return Hold(
        rule=rule.name,
        level=rule.level,
        no_time=rule.no_time,
        entered_at=observed_at,
        counted_at=observed_at,
        confirmed=rule.confirm_reports <= 1,
    )


def _kept(hold: Hold, rule: Rule, facts: Facts, observed_at: datetime) -> Hold | None:
    verdict = rule.when.judge(facts)
    # A correction speaks about a report that was counted already.
    count = 0 if observed_at == hold.counted_at else 1
    if not hold.confirmed:
        if verdict.enter is True:
            met = hold.met_reports + count
            return replace(hold, met_reports=met, confirmed=met >= rule.confirm_reports, counted_at=observed_at)
        return None if verdict.keep is False else hold
    if verdict.keep is True:
        return replace(hold, missed_since=None, missed_reports=0, counted_at=observed_at)
    if verdict.keep is None:
        return hold
    if hold.missed_since is None:
        missed_since, missed = observed_at, 1
    else:
        missed_since, missed = hold.missed_since, hold.missed_reports + count
    if missed >= rule.settle_reports and observed_at - missed_since >= rule.settle_for:
        return None
    return replace(hold, missed_since=missed_since, missed_reports=missed, counted_at=observed_at)


def _skip_wait_when_rising(after: tuple[Hold, ...], before: dict[str, Hold]) -> tuple[Hold, ...]:
    """Confirm at once a rule that asks more than any that held before: rising severity does not wait."""
    if not before:
        return after
    highest = max(hold.level for hold in before.values())
    return tuple(
        replace(hold, confirmed=True) if not hold.confirmed and hold.level > highest else hold for hold in after
    )
