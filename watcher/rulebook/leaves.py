"""The leaves of a condition: one fact compared with what the rule asks for.

A leaf compiles to a function of the facts that answers twice, (enter, keep), with one of six ready-made pairs, and
shows itself with value, threshold and margin when reasons are asked for.
"""

from __future__ import annotations

import operator
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

from watcher.reports.weather import matches, parse_weather
from watcher.rulebook.derive import UNSEEN, UNSEEN_FREEZING_RAIN
from watcher.rulebook.facts import FACTS_BY_NAME, Facts, Value
from watcher.rulebook.kleene import Tri, negated
from watcher.rulebook.model import Because

Answer = tuple[Tri, Tri]
Ask = Callable[[Facts], Answer]

UNKNOWN: Answer = (None, None)
YES: Answer = (True, True)
NO: Answer = (False, False)
_STEADY: dict[Tri, Answer] = {True: YES, False: NO, None: UNKNOWN}

_COMPARE: dict[str, Callable[[float, float], bool]] = {
    "<=": operator.le,
    "<": operator.lt,
    ">=": operator.ge,
    ">": operator.gt,
}
_FALLING = frozenset({"<=", "<"})

# By table 4678 a precipitation group without a sign is moderate.
INTENSITY_BY_SIGN = {"-": "light", "": "moderate", "+": "heavy"}


@dataclass(frozen=True, slots=True)
class NumberLeaf:
    """A number on one side of a bound. `off`: the bound at which it lets go. `sure`: over the whole interval."""

    field: str
    op: str
    value: float
    off: float
    sure: bool = False

    def compiled(self) -> Ask:
        """Return the function that answers (enter, keep)."""
        if self.sure:
            return self._compiled_sure()
        field, on, off, compare = self.field, self.value, self.off, _COMPARE[self.op]

        def ask(facts: Facts) -> Answer:
            value = facts.values.get(field)
            if value is None:
                return UNKNOWN
            if compare(value, on):  # type: ignore[arg-type]
                return YES
            return (False, True) if compare(value, off) else NO  # type: ignore[arg-type]

        return ask

    def _compiled_sure(self) -> Ask:
        on, off, compare = self.value, self.off, _COMPARE[self.op]

        def surely(ends: tuple[float, float], bound: float) -> Tri:
            low, high = compare(ends[0], bound), compare(ends[1], bound)
            return low if low is high else None

        def ask(facts: Facts) -> Answer:
            ends = interval_of(facts, self.field)
            return UNKNOWN if ends is None else (surely(ends, on), surely(ends, off))

        return ask

    def because(self, facts: Facts, *, held: bool, denied: bool) -> Because:
        """Return this leaf with its reasons."""
        bound = self.off if held else self.value
        value = _number(facts, self.field)
        margin = None if value is None else round(bound - value if self.op in _FALLING else value - bound, 3)
        off = self.off if self.off != self.value else None
        return _because(self, facts, bound, held=held, denied=denied, margin=margin, off=off)


@dataclass(frozen=True, slots=True)
class BetweenLeaf:
    """A number from one bound to another, both included. `off`: the wider pair at which it lets go."""

    field: str
    value: tuple[float, float]
    off: tuple[float, float]
    sure: bool = False

    @property
    def op(self) -> str:
        """The word of the comparison."""
        return "between"

    def compiled(self) -> Ask:
        """Return the function that answers (enter, keep)."""
        within = _surely_within if self.sure else _within

        def ask(facts: Facts) -> Answer:
            value = _number(facts, self.field)
            if value is None:
                return UNKNOWN
            ends = interval_of(facts, self.field) if self.sure else (value, value)
            assert ends is not None
            return within(ends, self.value), within(ends, self.off)

        return ask

    def because(self, facts: Facts, *, held: bool, denied: bool) -> Because:
        """Return this leaf with its reasons."""
        low, high = self.off if held else self.value
        value = _number(facts, self.field)
        margin = None if value is None else round(min(value - low, high - value), 3)
        off = None if value is None or self.off == self.value else self._nearer_off(value)
        return _because(self, facts, (low, high), held=held, denied=denied, margin=margin, off=off)

    def _nearer_off(self, value: float) -> float:
        return min(self.off, key=lambda bound: abs(value - bound))


@dataclass(frozen=True, slots=True)
class EqualLeaf:
    """A yes-or-no fact, or a word that is one of several."""

    field: str
    allowed: tuple[Value, ...]

    @property
    def op(self) -> str:
        """The word of the comparison."""
        return "=="

    def compiled(self) -> Ask:
        """Return the function that answers (enter, keep), which are the same."""
        field, allowed = self.field, frozenset(self.allowed)

        def ask(facts: Facts) -> Answer:
            value = facts.values.get(field)
            if value is None:
                return UNKNOWN
            return YES if value in allowed else NO

        return ask

    def because(self, facts: Facts, *, held: bool, denied: bool) -> Because:
        """Return this leaf with its reasons."""
        threshold = self.allowed[0] if len(self.allowed) == 1 else tuple(str(word) for word in self.allowed)
        return _because(self, facts, threshold, held=held, denied=denied)


@dataclass(frozen=True, slots=True)
class WeatherLeaf:
    """Weather groups that are there (`has`) or are not (`lacks`). `intensity`: only groups of these; empty: of any."""

    field: str
    op: str
    wanted: tuple[str, ...]
    intensity: tuple[str, ...] = ()

    def compiled(self) -> Ask:
        """Return the function that answers (enter, keep), which are the same."""
        field, lacks = self.field, self.op == "lacks"
        wanted, intensity = self.wanted, self.intensity
        nothing = YES if lacks else NO

        def ask(facts: Facts) -> Answer:
            groups = facts.values.get(field)
            if not groups:
                return UNKNOWN if groups is None else nothing
            assert isinstance(groups, frozenset)
            found = among(groups, wanted, intensity)
            return _STEADY[negated(found) if lacks else found]

        return ask

    def because(self, facts: Facts, *, held: bool, denied: bool) -> Because:
        """Return this leaf with its reasons."""
        words = tuple(f"{' or '.join(self.intensity)} {code}" if self.intensity else code for code in self.wanted)
        return _because(self, facts, words, held=held, denied=denied)


Leaf = NumberLeaf | BetweenLeaf | EqualLeaf | WeatherLeaf


@lru_cache(maxsize=65536)
def among(groups: frozenset[str], wanted: tuple[str, ...], intensity: tuple[str, ...] = ()) -> Tri:
    """Return whether one of the groups is one of those wanted; unknown where what could not be seen may be one.

    Parameters
    ----------
    groups
        Weather groups, with the marks for what could not be seen among them.
    wanted
        Groups of code table 4678.
    intensity
        Which intensities count, all when empty.
    """
    for group in groups:
        if any(matches(group, code) for code in wanted) and _is_of(group, intensity):
            return True
    hidden = any(_may_hide(mark, code) for mark in groups & {UNSEEN, UNSEEN_FREEZING_RAIN} for code in wanted)
    return None if hidden else False


def _is_of(text: str, intensity: tuple[str, ...]) -> bool:
    group = parse_weather(text)
    return not intensity or (group is not None and INTENSITY_BY_SIGN[group.sign] in intensity)


@lru_cache(maxsize=1024)
def _may_hide(mark: str, code: str) -> bool:
    """Return whether what a mark stands for may be a group that a code asks for; FG is part of FZFG.

    With the freezing rain sensor off, freezing rain is still seen as rain: only that it freezes is hidden.
    """
    group = parse_weather(code)
    if group is None or group.vicinity:
        return False
    if mark == UNSEEN_FREEZING_RAIN:
        return group.is_freezing_precipitation
    return group.freezes or group.falls or not group.phenomena or "FG" in group.phenomena


def interval_of(facts: Facts, field: str) -> tuple[float, float] | None:
    """Return what rounding or doubt leaves of a number, None when it is unknown."""
    value = _number(facts, field)
    return None if value is None else facts.intervals.get(field, (value, value))


def _number(facts: Facts, field: str) -> float | None:
    value = facts.values.get(field)
    assert value is None or isinstance(value, int | float)
    return value


def _within(ends: tuple[float, float], bounds: tuple[float, float]) -> Tri:
    return bounds[0] <= ends[0] <= bounds[1]


def _surely_within(ends: tuple[float, float], bounds: tuple[float, float]) -> Tri:
    if bounds[0] <= ends[0] and ends[1] <= bounds[1]:
        return True
    return False if ends[1] < bounds[0] or ends[0] > bounds[1] else None


def _because(
    leaf: Leaf,
    facts: Facts,
    threshold: Value | tuple[float, float] | tuple[str, ...],
    *,
    held: bool,
    denied: bool,
    margin: float | None = None,
    off: float | None = None,
) -> Because:
    age = facts.values.get("report_age_min")
    return Because(
        field=leaf.field,
        op=leaf.op,
        threshold=threshold,
        value=facts.values.get(leaf.field),
        margin=margin,
        verdict=leaf.compiled()(facts)[held],
        off=off,
        unit=FACTS_BY_NAME[leaf.field].unit,
        age_min=float(age) if isinstance(age, int | float) else None,
        negated=denied,
    )
