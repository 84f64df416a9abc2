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

Bytes = npt.NDArray[np.uint8]

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
        Their weather leaves; `answers` (columns `answer_names`) must be there where these are asked.
    lexicon
        Of a frame with coded columns.
    """

    def __init__(self, weather: Iterable[WeatherLeaf] = (), lexicon: Lexicon = PLAIN) -> None:
        self._lexicon = lexicon
        self._weather: dict[WeatherLeaf, pl.Expr] = {}
        self.answers: list[pl.Expr] = []
        self.answer_names: list[str] = []
        by_field: dict[str, list[WeatherLeaf]] = {}
        for leaf in dict.fromkeys(weather):
            by_field.setdefault(leaf.field, []).append(leaf)
        for field, asked in by_field.items():
            self._ask(field, asked)

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
        names = [f"{field}|answers|{place}" for place in range(-(-len(leaves) // _LEAVES_IN_ONE))]
        asks, column = tuple(leaf.compiled() for leaf in leaves), column_of(field)
        words = self._lexicon.words.get(column)
        if words is None:
            groups, read = pl.col(column).cast(pl.Categorical), partial(_answers, names, asks, field)
        else:
            groups, read = pl.col(column), partial(_looked_up, names, _table(asks, field, words))
        bytes_of = pl.Struct(dict.fromkeys(names, pl.UInt8))
        self.answers.append(groups.map_batches(read, return_dtype=bytes_of, is_elementwise=True).struct.unnest())
        self.answer_names += names
        for number, leaf in enumerate(leaves):
            place, bit = divmod(number, _LEAVES_IN_ONE)
            known, yes = (pl.col(names[place]) & (mask << 2 * bit) for mask in (1, 2))
            self._weather[leaf] = pl.when(known != 0).then(yes != 0)


def _answers(names: Sequence[str], asks: Sequence[Ask], field: str, groups: pl.Series) -> pl.Series:
    """Return the answers to a column of weather groups (Categorical)."""
    distinct = groups.unique().drop_nulls()
    codes = distinct.to_physical().to_numpy()
    rows = _table(asks, field, distinct.cast(pl.String).to_list())
    table = np.zeros((int(codes.max(initial=0)) + 2, rows.shape[1]), dtype=np.uint8)
    table[codes] = rows[:-1]
    return _looked_up(names, table, groups.to_physical())


def _looked_up(names: Sequence[str], table: Bytes, places: pl.Series) -> pl.Series:
    """Return for each place its row of a table; for no place the last row, where nothing is known."""
    filled = places.cast(pl.UInt32).fill_null(len(table) - 1)
    columns = [pl.Series(name, table[:, number]).gather(filled) for number, name in enumerate(names)]
    return pl.DataFrame(columns).to_struct(places.name)


def _table(asks: Sequence[Ask], field: str, texts: Sequence[str]) -> Bytes:
    """Return for each text a row of bytes with the answers of all leaves, and a last row that knows nothing."""
    table = np.zeros((len(texts) + 1, -(-len(asks) // _LEAVES_IN_ONE)), dtype=np.uint8)
    for row, text in enumerate(texts):
        facts = Facts("", _ANY_TIME, Kind.OBSERVED, {field: frozenset(text.split())})
        for number, ask in enumerate(asks):
            answer = ask(facts)[0]
            place, bit = divmod(number, _LEAVES_IN_ONE)
            if answer is not None:
                table[row, place] |= (1 | answer << 1) << 2 * bit
    return table
