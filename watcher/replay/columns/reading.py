"""How conditions read the columns of facts: numbers, words, and what weather leaves answer to a whole column.

Each distinct set of weather groups is asked once, by the judgement's own leaves. The answers of four leaves travel in
one byte, two bits for each: it is known, and it is yes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime
from functools import partial
from types import MappingProxyType
from typing import Literal

import numpy as np
import numpy.typing as npt
import polars as pl

from watcher.replay.columns.lexicon import PLAIN, Lexicon
from watcher.replay.columns.names import column_of
from watcher.rulebook.facts import Facts
from watcher.rulebook.leaves import Ask, WeatherLeaf
from watcher.rulebook.words import Kind

_LEAVES_IN_ONE = 4
_ANY_TIME = datetime(2000, 1, 1, tzinfo=UTC)

_COMPARED: Mapping[str, Callable[[pl.Expr, float], pl.Expr]] = MappingProxyType(
    {
        "<=": lambda value, bound: value <= bound,
        "<": lambda value, bound: value < bound,
        ">=": lambda value, bound: value >= bound,
        ">": lambda value, bound: value > bound,
    }
)
# Of places that keep the order of values: below the first place that a bound leaves out, or from it on.
_PLACED: Mapping[str, tuple[bool, Literal["left", "right"]]] = MappingProxyType(
    {"<=": (True, "right"), "<": (True, "left"), ">=": (False, "left"), ">": (False, "right")}
)


class Reading:
    """What the leaves of some rules read.

    Parameters
    ----------
    weather
        Their weather leaves; `answers` must stand among the columns where these are asked.
    lexicon
        Of a frame with coded columns.
    """

    def __init__(self, weather: Iterable[WeatherLeaf] = (), lexicon: Lexicon = PLAIN) -> None:
        self._lexicon = lexicon
        self._weather: dict[WeatherLeaf, pl.Expr] = {}
        self.answers: list[pl.Expr] = []
        by_field: dict[str, list[WeatherLeaf]] = {}
        for leaf in dict.fromkeys(weather):
            by_field.setdefault(leaf.field, []).append(leaf)
        for field, asked in by_field.items():
            for begin in range(0, len(asked), _LEAVES_IN_ONE):
                self._ask(field, asked[begin : begin + _LEAVES_IN_ONE])

    @property
    def answer_names(self) -> list[str]:
        """The names of `answers`."""
        return [column.meta.output_name() for column in self.answers]

    def compared(self, column: str, op: str, bound: float) -> pl.Expr:
        """Return whether a number stands so to a bound; null where it is not known."""
        values = self._lexicon.numbers.get(column)
        if values is None:
            return _COMPARED[op](pl.col(column), bound)
        below, side = _PLACED[op]
        place = pl.lit(int(np.searchsorted(values, bound, side=side)), dtype=pl.UInt16)
        return pl.col(column) < place if below else pl.col(column) >= place

    def is_word(self, column: str, word: str) -> pl.Expr:
        """Return whether a word is this one; null where it is not known."""
        words = self._lexicon.words.get(column)
        if words is None:
            return pl.col(column) == pl.lit(word)
        # A word that the file does not have is that of no report.
        return pl.col(column) == pl.lit(words.index(word) if word in words else len(words), dtype=pl.UInt16)

    def has_weather(self, leaf: WeatherLeaf) -> pl.Expr:
        """Return the answer of a weather leaf."""
        return self._weather[leaf]

    def _ask(self, field: str, leaves: Sequence[WeatherLeaf]) -> None:
        name, column = f"{field}|answers|{len(self.answers)}", column_of(field)
        asks = tuple(leaf.compiled() for leaf in leaves)
        words = self._lexicon.words.get(column)
        if words is None:
            groups, read = pl.col(column).cast(pl.Categorical), partial(_answers, asks, field)
        else:
            table = pl.Series([_bits(asks, field, text) for text in words], dtype=pl.UInt8)
            groups, read = pl.col(column), partial(_looked_up, table)
        self.answers.append(groups.map_batches(read, return_dtype=pl.UInt8, is_elementwise=True).alias(name))
        for place, leaf in enumerate(leaves):
            known, yes = pl.col(name) & (1 << 2 * place), pl.col(name) & (2 << 2 * place)
            self._weather[leaf] = pl.when(known != 0).then(yes != 0)


def _answers(asks: Sequence[Ask], field: str, groups: pl.Series) -> pl.Series:
    """Return the answers to a column of weather groups (Categorical)."""
    distinct = groups.unique().drop_nulls()
    codes = distinct.to_physical().to_numpy()
    table: npt.NDArray[np.uint8] = np.zeros(int(codes.max(initial=0)) + 1, dtype=np.uint8)
    table[codes] = [_bits(asks, field, text) for text in distinct.cast(pl.String)]
    return _looked_up(pl.Series(table), groups.to_physical())


def _looked_up(table: pl.Series, places: pl.Series) -> pl.Series:
    return table.gather(places)


def _bits(asks: Sequence[Ask], field: str, text: str) -> int:
    facts = Facts("", _ANY_TIME, Kind.OBSERVED, {field: frozenset(text.split())})
    bits = 0
    for place, ask in enumerate(asks):
        answer = ask(facts)[0]
        if answer is not None:
            bits |= (1 | answer << 1) << 2 * place
    return bits
