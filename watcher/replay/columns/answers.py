"""What weather leaves answer to a whole column.

The judgement's own leaves are asked, once for each distinct set of groups. Their answers travel as bits of a few bytes
a report: whether each leaf says yes, and of those that may not know though the groups are there, whether it does not.
Where the groups are not known the bytes are null, and no leaf knows.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from functools import partial

import numpy as np
import numpy.typing as npt
import polars as pl

from watcher.replay.columns.names import column_of
from watcher.rulebook.facts import Facts
from watcher.rulebook.leaves import Ask, WeatherLeaf
from watcher.rulebook.words import Kind

Answers = npt.NDArray[np.int8]

_NOT_KNOWN, _YES = -1, 1
_BITS = 8
_ANY_TIME = datetime(2000, 1, 1, tzinfo=UTC)


class WeatherAnswers:
    """The answers of some leaves about one field.

    Parameters
    ----------
    field
        A fact that is a set of groups.
    leaves
        Those about it, each once.
    texts
        For which texts of groups the places in a coded column stand; None: the column holds the texts.
    """

    def __init__(self, field: str, leaves: Sequence[WeatherLeaf], texts: Sequence[str] | None) -> None:
        asks, column = tuple(leaf.compiled() for leaf in leaves), column_of(field)
        if texts is None:
            # What will be met is not known yet.
            answers, unsure = None, list(range(len(leaves)))
        else:
            answers = _answered(field, asks, texts)
            unsure = np.flatnonzero((answers == _NOT_KNOWN).any(axis=0)).tolist()
        bits = len(leaves) + len(unsure)
        self.names = [f"{field}|answers|{number}" for number in range(-(-bits // _BITS))]
        self._yes = {leaf: number for number, leaf in enumerate(leaves)}
        self._not_known = {leaves[place]: len(leaves) + number for number, place in enumerate(unsure)}
        if answers is None:
            groups, read = pl.col(column).cast(pl.Categorical), partial(_read, self.names, field, asks)
        else:
            groups, read = pl.col(column), partial(_looked_up, _packed(self.names, answers, unsure))
        bytes_of = pl.Struct(dict.fromkeys(self.names, pl.UInt8))
        self.columns = groups.map_batches(read, return_dtype=bytes_of, is_elementwise=True).struct.unnest()

    def of(self, leaf: WeatherLeaf) -> pl.Expr:
        """Return the answer of a leaf, from `columns`; null where it does not know."""
        yes = self._bit(self._yes[leaf])
        return pl.when(~self._bit(self._not_known[leaf])).then(yes) if leaf in self._not_known else yes

    def _bit(self, number: int) -> pl.Expr:
        place, bit = divmod(number, _BITS)
        return (pl.col(self.names[place]) & (1 << bit)) != 0


def _answered(field: str, asks: Sequence[Ask], texts: Sequence[str]) -> Answers:
    """Return a row for each text with the answers of all leaves: 1, 0, or -1 where a leaf does not know."""
    answers = np.zeros((len(texts), len(asks)), dtype=np.int8)
    for row, text in enumerate(texts):
        facts = Facts("", _ANY_TIME, Kind.OBSERVED, {field: frozenset(text.split())})
        for number, ask in enumerate(asks):
            answer = ask(facts)[0]
            answers[row, number] = _NOT_KNOWN if answer is None else answer
    return answers


def _packed(names: Sequence[str], answers: Answers, unsure: Sequence[int]) -> pl.DataFrame:
    """Return answers as bits, a row of bytes for each text, and one row more for where there is none."""
    bits = np.concatenate([answers == _YES, answers[:, unsure] == _NOT_KNOWN], axis=1)
    more = np.concatenate([bits, np.zeros((1, bits.shape[1]), dtype=np.bool_)])
    return pl.DataFrame(np.packbits(more, axis=1, bitorder="little"), schema=names)


def _looked_up(table: pl.DataFrame, places: pl.Series) -> pl.Series:
    """Return for each place its row of a table; null for no place."""
    found = table[places.fill_null(table.height - 1)]
    if places.null_count():
        found = found.select(pl.when(places.is_not_null()).then(pl.all()))
    return found.to_struct(places.name)


def _read(names: Sequence[str], field: str, asks: Sequence[Ask], groups: pl.Series) -> pl.Series:
    """Return the answers to a column of texts (Categorical)."""
    distinct = groups.unique().drop_nulls()
    codes = distinct.to_physical().to_numpy()
    answers = np.zeros((int(codes.max(initial=0)) + 1, len(asks)), dtype=np.int8)
    answers[codes] = _answered(field, asks, distinct.cast(pl.String).to_list())
    return _looked_up(_packed(names, answers, range(len(asks))), groups.to_physical())
