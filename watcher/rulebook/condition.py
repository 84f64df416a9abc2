"""The tree of a condition: leaves over facts, joined by all, any and not, in three-valued logic.

Each node answers twice: does the condition begin (`enter`), does one that already holds go on (`keep`). A leaf with
`off` lets go later than it takes hold, so `keep` is at least as easily true as `enter`. Under `not` the two change
places: what is denied begins once its opposite has let go for sure, and goes on until its opposite takes hold.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from watcher.reports.weather import matches, parse_weather
from watcher.rulebook.derive import UNSEEN
from watcher.rulebook.facts import FACTS_BY_NAME, Facts, Value
from watcher.rulebook.kleene import Tri, all_of, any_of, negated
from watcher.rulebook.model import Because, Verdict

Answer = tuple[Tri, Tri]


class Node(Protocol):
    """A part of the tree."""

    def answer(self, facts: Facts) -> Answer:
        """Return (enter, keep)."""
        ...

    def leaves(self, facts: Facts, *, held: bool, denied: bool) -> tuple[Because, ...]:
        """Return every leaf below, judged by its release threshold where `held`."""
        ...


@dataclass(frozen=True, slots=True)
class Tree:
    """A whole condition, as a rule carries it."""

    root: Node

    def judge(self, facts: Facts) -> Verdict:
        """Return whether the condition begins and whether it goes on."""
        return Verdict(*self.root.answer(facts))

    def because(self, facts: Facts, *, held: bool) -> tuple[Because, ...]:
        """Return every leaf with value, threshold, margin and verdict."""
        return self.root.leaves(facts, held=held, denied=False)


@dataclass(frozen=True, slots=True)
class All:
    """Every part."""

    parts: tuple[Node, ...]

    def answer(self, facts: Facts) -> Answer:
        """Return (enter, keep)."""
        answers = [part.answer(facts) for part in self.parts]
        return all_of(enter for enter, _ in answers), all_of(keep for _, keep in answers)

    def leaves(self, facts: Facts, *, held: bool, denied: bool) -> tuple[Because, ...]:
        """Return the leaves of every part."""
        return tuple(leaf for part in self.parts for leaf in part.leaves(facts, held=held, denied=denied))


@dataclass(frozen=True, slots=True)
class AnyOf:
    """At least one part."""

    parts: tuple[Node, ...]

    def answer(self, facts: Facts) -> Answer:
        """Return (enter, keep)."""
        answers = [part.answer(facts) for part in self.parts]
        return any_of(enter for enter, _ in answers), any_of(keep for _, keep in answers)

    def leaves(self, facts: Facts, *, held: bool, denied: bool) -> tuple[Because, ...]:
        """Return the leaves of every part."""
        return tuple(leaf for part in self.parts for leaf in part.leaves(facts, held=held, denied=denied))


@dataclass(frozen=True, slots=True)
class Not:
    """The opposite of a part."""

    part: Node

    def answer(self, facts: Facts) -> Answer:
        """Return (enter, keep): begins when the part has let go, goes on until the part takes hold."""
        enter, keep = self.part.answer(facts)
        return negated(keep), negated(enter)

    def leaves(self, facts: Facts, *, held: bool, denied: bool) -> tuple[Because, ...]:
        """Return the part's leaves, marked as denied."""
        return self.part.leaves(facts, held=not held, denied=not denied)


@dataclass(frozen=True, slots=True)
class NumberLeaf:
    """A number compared with a bound, or with two. `off`: the bound at which it lets go. `sure`: over the interval."""

    field: str
    op: str
    value: float
    off: float
    sure: bool = False

    def answer(self, facts: Facts) -> Answer:
        """Return (enter, keep)."""
        value = facts.values.get(self.field)
        if value is None:
            return None, None
        assert not isinstance(value, (str, frozenset))
        if self.sure:
            low, high = facts.intervals.get(self.field, (value, value))
            return self._surely(low, high, self.value), self._surely(low, high, self.off)
        enter = _COMPARE[self.op](value, self.value)
        return enter, enter if self.off == self.value else _COMPARE[self.op](value, self.off)

    def _surely(self, low: float, high: float, bound: float) -> Tri:
        ends = {_COMPARE[self.op](low, bound), _COMPARE[self.op](high, bound)}
        return ends.pop() if len(ends) == 1 else None

    def leaves(self, facts: Facts, *, held: bool, denied: bool) -> tuple[Because, ...]:
        """Return this leaf."""
        bound = self.off if held else self.value
        value = facts.values.get(self.field)
        margin = None
        if isinstance(value, int | float):
            margin = round(bound - value if self.op in {"<", "<="} else value - bound, 3)
        verdict = self.answer(facts)[1 if held else 0]
        off = self.off if self.off != self.value else None
        return (_because(self.field, self.op, bound, facts, margin, verdict, denied, off),)


@dataclass(frozen=True, slots=True)
class BetweenLeaf:
    """A number from one bound to another, both included. `off`: the wider pair at which it lets go."""

    field: str
    low: float
    high: float
    off: tuple[float, float]

    def answer(self, facts: Facts) -> Answer:
        """Return (enter, keep)."""
        value = facts.values.get(self.field)
        if value is None:
            return None, None
        assert isinstance(value, int | float)
        return self.low <= value <= self.high, self.off[0] <= value <= self.off[1]

    def leaves(self, facts: Facts, *, held: bool, denied: bool) -> tuple[Because, ...]:
        """Return this leaf."""
        low, high = self.off if held else (self.low, self.high)
        value = facts.values.get(self.field)
        margin = round(min(value - low, high - value), 3) if isinstance(value, int | float) else None
        verdict = self.answer(facts)[1 if held else 0]
        return (_because(self.field, "between", (low, high), facts, margin, verdict, denied, None),)


@dataclass(frozen=True, slots=True)
class EqualLeaf:
    """A yes-or-no fact, or a word that is one of several."""

    field: str
    allowed: tuple[Value, ...]

    def answer(self, facts: Facts) -> Answer:
        """Return (enter, keep), which are the same."""
        value = facts.values.get(self.field)
        verdict = None if value is None else value in self.allowed
        return verdict, verdict

    def leaves(self, facts: Facts, *, held: bool, denied: bool) -> tuple[Because, ...]:
        """Return this leaf."""
        verdict = self.answer(facts)[1 if held else 0]
        threshold = self.allowed[0] if len(self.allowed) == 1 else tuple(str(word) for word in self.allowed)
        return (_because(self.field, "==", threshold, facts, None, verdict, denied, None),)


@dataclass(frozen=True, slots=True)
class WeatherLeaf:
    """Weather groups that are there (`has`) or are not (`lacks`)."""

    field: str
    op: str
    wanted: tuple[str, ...]

    def answer(self, facts: Facts) -> Answer:
        """Return (enter, keep), which are the same."""
        verdict = self._has(facts.values.get(self.field))
        if self.op == "lacks":
            verdict = negated(verdict)
        return verdict, verdict

    def _has(self, groups: Value) -> Tri:
        if groups is None:
            return None
        assert isinstance(groups, frozenset)
        if any(matches(group, code) for group in groups if group != UNSEEN for code in self.wanted):
            return True
        return None if UNSEEN in groups and any(_freezes(code) for code in self.wanted) else False

    def leaves(self, facts: Facts, *, held: bool, denied: bool) -> tuple[Because, ...]:
        """Return this leaf."""
        verdict = self.answer(facts)[1 if held else 0]
        return (_because(self.field, self.op, self.wanted, facts, None, verdict, denied, None),)


def _freezes(code: str) -> bool:
    group = parse_weather(code)
    return group is not None and group.freezes


_COMPARE = {
    "<=": lambda value, bound: bool(value <= bound),
    "<": lambda value, bound: bool(value < bound),
    ">=": lambda value, bound: bool(value >= bound),
    ">": lambda value, bound: bool(value > bound),
}


def _because(  # noqa: PLR0917 - private, the parts of one value
    field: str,
    op: str,
    threshold: Value | tuple[float, float] | tuple[str, ...],
    facts: Facts,
    margin: float | None,
    verdict: Tri,
    denied: bool,
    off: float | None,
) -> Because:
    values: Mapping[str, Value] = facts.values
    age = values.get("report_age_min")
    return Because(
        field=field,
        op=op,
        threshold=threshold,
        value=values.get(field),
        margin=margin,
        verdict=verdict,
        off=off,
        unit=FACTS_BY_NAME[field].unit,
        age_min=float(age) if isinstance(age, int | float) else None,
        negated=denied,
    )
