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
from watcher.replay.columns.reading import Reading
from watcher.rulebook.condition import All, AnyOf, Node, Not, Tree
from watcher.rulebook.leaves import BetweenLeaf, EqualLeaf, Leaf, NumberLeaf, WeatherLeaf
from watcher.rulebook.model import Condition

Pair = tuple[pl.Expr, pl.Expr]

UNKNOWN = pl.lit(None, dtype=pl.Boolean)


def verdict_columns(condition: Condition, reading: Reading) -> Pair:
    """Return whether a condition begins and whether it goes on, as expressions.

    Parameters
    ----------
    condition
        The condition of a rule.
    reading
        Made from its weather leaves among others. The expressions stand over the columns that it adds to a frame.

    Raises
    ------
    TypeError
        The condition is no tree that a rule file can say.
    """
    return _columns(_root(condition), reading)


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


def _columns(node: Node, reading: Reading) -> Pair:
    if isinstance(node, All | AnyOf):
        enters, keeps = zip(*(_columns(part, reading) for part in node.parts), strict=True)
        joined = and_ if isinstance(node, All) else or_
        return reduce(joined, enters), reduce(joined, keeps)
    if isinstance(node, Not):
        enter, keep = _columns(node.part, reading)
        return ~keep, ~enter
    return (UNKNOWN, UNKNOWN) if node.field in NEVER_KNOWN else _leaf(node, reading)


def _leaf(leaf: Leaf, reading: Reading) -> Pair:
    if isinstance(leaf, NumberLeaf):
        return _side(leaf, leaf.value, reading), _side(leaf, leaf.off, reading)
    if isinstance(leaf, BetweenLeaf):
        return _within(leaf, leaf.value, reading), _within(leaf, leaf.off, reading)
    answer = reading.has_weather(leaf) if isinstance(leaf, WeatherLeaf) else _is_one_of(leaf, reading)
    return answer, answer


def _side(leaf: NumberLeaf, bound: float, reading: Reading) -> pl.Expr:
    low, high = _at_the_ends(leaf, leaf.op, bound, reading)
    # Not sure where the bound lies between the ends.
    return pl.when(low == high).then(low) if leaf.sure else low


def _within(leaf: BetweenLeaf, bounds: tuple[float, float], reading: Reading) -> pl.Expr:
    low_is_above, high_is_above = _at_the_ends(leaf, ">=", bounds[0], reading)
    low_is_below, high_is_below = _at_the_ends(leaf, "<=", bounds[1], reading)
    inside = low_is_above & high_is_below
    if not leaf.sure:
        return inside
    outside = ~high_is_above | ~low_is_below
    return pl.when(inside | outside).then(inside)


def _at_the_ends(leaf: NumberLeaf | BetweenLeaf, op: str, bound: float, reading: Reading) -> Pair:
    """Return what a comparison says of both ends of the interval; where the leaf need not be sure, of the number."""
    value = reading.compared(leaf.field, op, bound)
    if not leaf.sure or leaf.field not in INTERVALS:
        return value, value
    low, high = f"{leaf.field}_low", f"{leaf.field}_high"
    wide = pl.all_horizontal(pl.col(leaf.field, low, high).is_not_null())
    return (
        pl.when(wide).then(reading.compared(low, op, bound)).otherwise(value),
        pl.when(wide).then(reading.compared(high, op, bound)).otherwise(value),
    )


def _is_one_of(leaf: EqualLeaf, reading: Reading) -> pl.Expr:
    return reduce(or_, (_equals(column_of(leaf.field), word, reading) for word in leaf.allowed))


def _equals(column: str, word: object, reading: Reading) -> pl.Expr:
    if isinstance(word, bool):
        return pl.col(column) if word else ~pl.col(column)
    return reading.is_word(column, str(word))
