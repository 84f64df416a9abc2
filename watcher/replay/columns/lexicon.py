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

# One less than UInt16 holds, so that the place after the last value is a place too.
_MOST = 65_535
_NUMBERS, _WORDS = "hoarline.numbers.", "hoarline.words."
_CENTS = 100
_CENTS_MOST = 4_000_000


@dataclass(frozen=True, slots=True)
class Lexicon:
    """What the places in coded columns stand for. A column that is in neither is as it is.

    `numbers`: by column the distinct values, ascending. `words`: by column the distinct texts.
    """

    numbers: Mapping[str, npt.NDArray[np.float64]] = field(default_factory=dict)
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
    numbers: dict[str, npt.NDArray[np.float64]] = {}
    words: dict[str, tuple[str, ...]] = {}
    columns = []
    for column in frame:
        if column.dtype.is_numeric():
            values = column.unique().drop_nulls().sort().cast(pl.Float64).to_numpy()
            if len(values) <= _MOST:
                numbers[column.name] = values
                columns.append(_places(column, values))
                continue
        elif isinstance(column.dtype, pl.Categorical | pl.Enum):
            texts = column.unique().drop_nulls().cast(pl.String).sort()
            words[column.name] = tuple(texts)
            columns.append(column.cast(pl.String).cast(pl.Enum(texts)).to_physical().cast(pl.UInt16))
            continue
        columns.append(column)
    return pl.DataFrame(columns), Lexicon(numbers, words)


def _places(column: pl.Series, values: npt.NDArray[np.float64]) -> pl.Series:
    """Return each value's place; by hundredths where they tell the values apart, else by search."""
    filled = column.cast(pl.Float64).fill_null(values[0] if len(values) else 0.0).to_numpy()
    cents = np.rint(values * _CENTS)
    if len(values) and len(np.unique(cents)) == len(cents) and np.ptp(cents) <= _CENTS_MOST:
        table = np.zeros(int(np.ptp(cents)) + 1, dtype=np.uint16)
        table[(cents - cents[0]).astype(np.int64)] = np.arange(len(values))
        places = table[(np.rint(filled * _CENTS) - cents[0]).astype(np.int64)]
    else:
        places = np.searchsorted(values, filled).astype(np.uint16)
    known = column.is_not_null()
    return pl.select(pl.when(known).then(pl.Series(places))).to_series().alias(column.name)
