"""The verdicts of rules as columns: does each condition begin, does one that holds go on."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from watcher.replay.columns.conditions import leaves_of, verdict_columns
from watcher.replay.columns.lexicon import PLAIN, Lexicon
from watcher.replay.columns.names import INTERVALS, enter_column, keep_column
from watcher.replay.columns.reading import Reading
from watcher.rulebook.leaves import BetweenLeaf, NumberLeaf, WeatherLeaf
from watcher.rulebook.model import Rule


def facts_of(rules: Sequence[Rule]) -> frozenset[str]:
    """Return the facts that rules ask about, and the ends of those they must be sure of: for `with_facts(only=...)`."""
    leaves = [leaf for rule in rules for leaf in leaves_of(rule.when)]
    sure = {leaf.field for leaf in leaves if isinstance(leaf, NumberLeaf | BetweenLeaf) and leaf.sure}
    ends = {f"{field}_{end}" for field in sure.intersection(INTERVALS) for end in ("low", "high")}
    return frozenset({leaf.field for leaf in leaves} | ends)


def with_verdicts(frame: pl.LazyFrame, rules: Sequence[Rule], lexicon: Lexicon = PLAIN) -> pl.LazyFrame:
    """Return the frame (`with_facts`) with two columns of each rule, Boolean, null where the answer is unknown.

    Parameters
    ----------
    frame
        With the facts of `facts_of(rules)`.
    rules
        The rules, of any kind.
    lexicon
        Of a frame whose facts are coded (`stored.scan`).
    """
    leaves = (leaf for rule in rules for leaf in leaves_of(rule.when))
    reading = Reading((leaf for leaf in leaves if isinstance(leaf, WeatherLeaf)), lexicon)
    verdicts = []
    for rule in rules:
        enter, keep = verdict_columns(rule.when, reading)
        verdicts += [enter.alias(enter_column(rule.name)), keep.alias(keep_column(rule.name))]
    return reading.on(frame).with_columns(verdicts).drop(reading.names)
