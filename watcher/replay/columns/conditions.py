"""From a condition tree to two polars expressions, (enter, keep): null is unknown.

The operators & and | of polars on Boolean columns follow the strong tables of Kleene, as `rulebook.kleene` does, and
what they make of a null is what a tree makes of an unknown part.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import reduce
from operator import and_, or_

import polars as pl

from watcher.replay.columns.names import INTERVALS, NEVER_KNOWN, column_of
from watcher.replay.columns.weather_answers import WeatherAnswers
from watcher.rulebook.condition import All, AnyOf, Node, Not, Tree
from watcher.rulebook.leaves import BetweenLeaf, EqualLeaf, Leaf, NumberLeaf, WeatherLeaf
from watcher.rulebook.model import Condition

Pair = tuple[pl.Expr, pl.Expr]

UNKNOWN = pl.lit(None, dtype=pl.Boolean)


def verdict_columns(condition: Condition, weather: WeatherAnswers) -> Pair:
    """Return whether a condition begins and whether it goes on, as expressions.

    Parameters
    ----------
    condition
        The condition of a rule.
    weather
        Made from its weather leaves among others. The expressions stand over the columns of `with_facts` and those of
        the answers.

    Raises
    ------
    TypeError
        The condition is no tree that a rule file can say.
    """
    return _columns(_root(condition), weather)


def leaves_of(condition: Condition) -> Iterator[Leaf]:
    """Yield the leaves of a condition."""
    return _leaves(_root(condition))


def _root(condition: Condition) -> Node:
    if not isinstance(condition, Tree):
        raise TypeError(f"{type(condition).__name__} is no condition tree")
    return condition.root


def _leaves(node: Node) -> Iterator[Leaf]:
    if isinstance(node, All | AnyOf):
        for part in node.parts:
            yield from _leaves(part)
    elif isinstance(node, Not):
        yield from _leaves(node.part)
    else:
        yield node


def _columns(node: Node, weather: WeatherAnswers) -> Pair:
    if isinstance(node, All | AnyOf):
        enters, keeps = zip(*(_columns(part, weather) for part in node.parts), strict=True)
        joined = and_ if isinstance(node, All) else or_
        return reduce(joined, enters), reduce(joined, keeps)
    if isinstance(node, Not):
        enter, keep = _columns(node.part, weather)
        return ~keep, ~enter
    return (UNKNOWN, UNKNOWN) if node.field in NEVER_KNOWN else _leaf(node, weather)


def _leaf(leaf: Leaf, weather: WeatherAnswers) -> Pair:
    if isinstance(leaf, NumberLeaf):
        return _side(leaf, leaf.value), _side(leaf, leaf.off)
    if isinstance(leaf, BetweenLeaf):
        return _within(leaf, leaf.value), _within(leaf, leaf.off)
    answer = weather[leaf] if isinstance(leaf, WeatherLeaf) else _is_one_of(leaf)
    return answer, answer


def _side(leaf: NumberLeaf, bound: float) -> pl.Expr:
    low, high = (_compared(end, leaf.op, bound) for end in _ends(leaf))
    # Not sure where the bound lies between the ends.
    return pl.when(low == high).then(low) if leaf.sure else low


def _compared(value: pl.Expr, op: str, bound: float) -> pl.Expr:
    if op == "<=":
        return value <= bound
    if op == "<":
        return value < bound
    return value >= bound if op == ">=" else value > bound


def _within(leaf: BetweenLeaf, bounds: tuple[float, float]) -> pl.Expr:
    low, high = _ends(leaf)
    inside = (low >= bounds[0]) & (high <= bounds[1])
    if not leaf.sure:
        return inside
    outside = (high < bounds[0]) | (low > bounds[1])
    return pl.when(inside | outside).then(inside)


def _ends(leaf: NumberLeaf | BetweenLeaf) -> Pair:
    """Return the interval of a number where the leaf must be sure, else the number itself twice."""
    value = pl.col(column_of(leaf.field))
    if not leaf.sure or leaf.field not in INTERVALS:
        return value, value
    low, high = pl.col(f"{leaf.field}_low"), pl.col(f"{leaf.field}_high")
    wide = low.is_not_null() & high.is_not_null() & value.is_not_null()
    return pl.when(wide).then(low).otherwise(value), pl.when(wide).then(high).otherwise(value)


def _is_one_of(leaf: EqualLeaf) -> pl.Expr:
    value = pl.col(column_of(leaf.field))
    return reduce(or_, (_equals(value, word) for word in leaf.allowed))


def _equals(value: pl.Expr, word: object) -> pl.Expr:
    if isinstance(word, bool):
        return value if word else ~value
    return value == pl.lit(word)
