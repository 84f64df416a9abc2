"""Facts as small whole numbers that keep their order, so that many reports are read and compared at once.

Nothing is rounded: a number is written as its place among the distinct values of its file, a word as its place among
the words. A bound is looked up in the values once, then places are compared.
"""

from __future__ import annotations

import json
from base64 import b64decode, b64encode
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import polars as pl

from watcher.replay.columns.distinct import Places, distinct_values, places_among

Floats = npt.NDArray[np.float64]

# One less than UInt16 holds, so that the place after the last value is a place too.
_MOST = 65_535
_NUMBERS, _WORDS = "hoarline.numbers.", "hoarline.words."


@dataclass(frozen=True, slots=True)
class Lexicon:
    """What the places in coded columns stand for. A column that is in neither is as it is.

    `numbers`: by column the distinct values, ascending. `words`: by column the distinct texts.
    """

    numbers: Mapping[str, Floats] = field(default_factory=dict)
    words: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def dump(self) -> dict[str, str]:
        """Return it as texts by column, such as a file may carry; numbers come back the same."""
        numbers = {f"{_NUMBERS}{name}": b64encode(values.tobytes()).decode() for name, values in self.numbers.items()}
        return numbers | {f"{_WORDS}{name}": json.dumps(words) for name, words in self.words.items()}

    @classmethod
    def load(cls, texts: Mapping[str, str], columns: Collection[str] | None = None) -> Lexicon:
        """Return what `dump` wrote, of some columns or of all; other texts are passed over."""
        numbers, words = {}, {}
        for key, text in texts.items():
            name = key.removeprefix(_NUMBERS).removeprefix(_WORDS)
            if columns is not None and name not in columns:
                continue
            if key.startswith(_NUMBERS):
                numbers[name] = np.frombuffer(b64decode(text), dtype=np.float64)
            elif key.startswith(_WORDS):
                words[name] = tuple(json.loads(text))
        return cls(numbers, words)


PLAIN = Lexicon()


def coded(frame: pl.DataFrame) -> tuple[pl.DataFrame, Lexicon]:
    """Return the frame with numbers and words as places, and what they stand for.

    Numbers with more than 65,535 distinct values stay as they are.
    """
    numbers: dict[str, Floats] = {}
    words: dict[str, tuple[str, ...]] = {}
    columns = []
    for column in frame:
        if column.dtype.is_numeric():
            values, places = _of_numbers(column)
            if len(values) <= _MOST:
                numbers[column.name] = values
            columns.append(column if places is None else places)
        elif isinstance(column.dtype, pl.Categorical | pl.Enum):
            words[column.name], places = _of_words(column)
            columns.append(places)
        else:
            columns.append(column)
    return pl.DataFrame(columns), Lexicon(numbers, words)


def _of_numbers(column: pl.Series) -> tuple[Floats, pl.Series | None]:
    """Return the distinct numbers of a column and their places in it, None where they are too many."""
    least = column.min()
    if least is None:
        return np.empty(0), column.cast(pl.UInt16)
    filled = column.fill_null(least).cast(pl.Float64).to_numpy()
    values = distinct_values(filled)
    return values, _where_known(column, places_among(values, filled)) if len(values) <= _MOST else None


def _of_words(column: pl.Series) -> tuple[tuple[str, ...], pl.Series]:
    """Return the distinct words of a column, sorted, and their places in it."""
    distinct = column.unique().drop_nulls()
    codes, words = distinct.to_physical().to_numpy(), distinct.cast(pl.String)
    table = np.zeros(int(codes.max(initial=0)) + 1, dtype=np.uint32)
    table[codes[words.arg_sort().to_numpy()]] = np.arange(len(codes))
    return tuple(words.sort()), _where_known(column, table[column.to_physical().fill_null(0).to_numpy()])


def _where_known(column: pl.Series, places: Places) -> pl.Series:
    known = pl.when(column.is_not_null()).then(pl.Series(places.astype(np.uint16)))
    return pl.select(known).to_series().alias(column.name)
