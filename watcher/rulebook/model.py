"""What a rulebook is made of and what it answers: Rule, Verdict, Because, Finding."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Protocol

from watcher.rulebook.facts import Facts, Value
from watcher.rulebook.words import Flag, Kind, Level, NoTime


@dataclass(frozen=True, slots=True)
class Verdict:
    """Does the condition begin (`enter`), does one that already holds go on (`keep`). None is unknown."""

    enter: bool | None
    keep: bool | None


@dataclass(frozen=True, slots=True)
class Because:
    """One leaf of a condition against one set of facts.

    `margin`: distance from the threshold in the fact's unit, positive on the side where the leaf is true;
    None where the fact is no number or unknown. `age_min`: age of the value.
    """

    field: str
    op: str
    threshold: Value | tuple[float, float] | tuple[str, ...]
    value: Value
    margin: float | None
    verdict: bool | None
    off: float | None = None
    unit: str = ""
    age_min: float | None = None
    negated: bool = False


@dataclass(frozen=True, slots=True)
class Reasons:
    """A verdict with all leaves of its condition, and those of them that decide: with these it stands by itself."""

    verdict: bool | None
    because: tuple[Because, ...]
    decisive: tuple[Because, ...]


class Condition(Protocol):
    """A tree over facts."""

    def judge(self, facts: Facts) -> Verdict:
        """Return whether the condition begins and whether it goes on."""
        ...

    def reasons(self, facts: Facts, *, held: bool) -> Reasons:
        """Return one of the two verdicts with its reasons: whether it goes on where `held`, else whether it begins."""
        ...


@dataclass(frozen=True, slots=True)
class Rule:
    """A named condition with a flag and a level.

    `confirm_reports`: reports in which the condition must begin before it counts.
    `settle_reports`, `settle_for`: what must both pass, by observation time, before it no longer counts.
    `no_time`: for level no-time, why no holdover time exists.
    """

    name: str
    flag: Flag
    level: Level
    kinds: frozenset[Kind]
    text: str
    source: str
    when: Condition
    confirm_reports: int = 1
    settle_reports: int = 2
    settle_for: timedelta = timedelta(minutes=30)
    no_time: NoTime | None = None
    file: str = ""


@dataclass(frozen=True, slots=True)
class Finding:
    """One rule's verdict with its reasons. `why` is one plain sentence."""

    rule: str
    flag: Flag
    level: Level
    kind: Kind
    verdict: bool | None
    why: str
    because: tuple[Because, ...]
    no_time: NoTime | None = None


@dataclass(frozen=True, slots=True)
class Rulebook:
    """All rules in force. `fingerprint`: 16 hex digits over the rule texts; events say which book judged."""

    rules: tuple[Rule, ...]
    fingerprint: str

    def of_kind(self, kind: Kind) -> tuple[Rule, ...]:
        """Return the rules that are judged on reports, or on the outlook."""
        return tuple(rule for rule in self.rules if kind in rule.kinds)

    def of_flag(self, flag: Flag) -> tuple[Rule, ...]:
        """Return the rules that raise a flag."""
        return tuple(rule for rule in self.rules if rule.flag is flag)
