"""What weather leaves answer, for a whole column: each distinct set of groups is asked once, by the judgement's reader.

The answers of many leaves travel in one number, two bits for each: it is known, and it is yes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from functools import partial

import numpy as np
import polars as pl

from watcher.replay.columns.names import column_of
from watcher.rulebook.facts import Facts
from watcher.rulebook.leaves import Ask, WeatherLeaf
from watcher.rulebook.words import Kind

_LEAVES_IN_ONE = 32
_ANY_TIME = datetime(2000, 1, 1, tzinfo=UTC)


class WeatherAnswers:
    """The answers of the weather leaves of some rules: the columns that hold them, and how each is read from them."""

    def __init__(self, leaves: Iterable[WeatherLeaf]) -> None:
        by_field: dict[str, list[WeatherLeaf]] = {}
        for leaf in dict.fromkeys(leaves):
            by_field.setdefault(leaf.field, []).append(leaf)
        self._answers: dict[WeatherLeaf, pl.Expr] = {}
        self.columns: list[pl.Expr] = []
        for field, asked in by_field.items():
            for begin in range(0, len(asked), _LEAVES_IN_ONE):
                self._add(field, asked[begin : begin + _LEAVES_IN_ONE])

    def __getitem__(self, leaf: WeatherLeaf) -> pl.Expr:
        """Return the answer of a leaf, over a frame with `columns`."""
        return self._answers[leaf]

    @property
    def names(self) -> list[str]:
        """The names of `columns`."""
        return [column.meta.output_name() for column in self.columns]

    def _add(self, field: str, leaves: Sequence[WeatherLeaf]) -> None:
        name = f"{field}|answers|{len(self.columns)}"
        read = partial(_answers, tuple(leaf.compiled() for leaf in leaves), field)
        groups = pl.col(column_of(field)).cast(pl.Categorical)
        self.columns.append(groups.map_batches(read, return_dtype=pl.UInt64, is_elementwise=True).alias(name))
        for place, leaf in enumerate(leaves):
            known, yes = pl.col(name) & (1 << 2 * place), pl.col(name) & (2 << 2 * place)
            self._answers[leaf] = pl.when(known != 0).then(yes != 0)


def _answers(asks: Sequence[Ask], field: str, groups: pl.Series) -> pl.Series:
    """Return the answers to a column of weather groups (Categorical)."""
    distinct = groups.unique().drop_nulls()
    codes = distinct.to_physical().to_numpy()
    table = np.zeros(int(codes.max(initial=0)) + 1, dtype=np.uint64)
    table[codes] = [_bits(asks, field, text) for text in distinct.cast(pl.String)]
    return pl.Series(table).gather(groups.to_physical())


def _bits(asks: Sequence[Ask], field: str, text: str) -> int:
    facts = Facts("", _ANY_TIME, Kind.OBSERVED, {field: frozenset(text.split())})
    bits = 0
    for place, ask in enumerate(asks):
        answer = ask(facts)[0]
        if answer is not None:
            bits |= (1 | answer << 1) << 2 * place
    return bits
