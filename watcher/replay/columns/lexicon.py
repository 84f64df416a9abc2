"""Facts as small whole numbers that keep their order, so that many reports are read and compared at once.

Nothing is rounded: a number is written as its place among the distinct values of its file, a word as its place among
the words. A bound is looked up in the values once, then places are compared.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import polars as pl

# One less than UInt16 holds, so that the place after the last value is a place too.
_MOST = 65_535
_CENTS = 100
_CENTS_MOST = 4_000_000


@dataclass(frozen=True, slots=True)
class Lexicon:
    """What the places in coded columns stand for. A column that is in neither is as it is.

    `numbers`: by column the distinct values, ascending. `words`: by column the distinct texts.
    """

    numbers: Mapping[str, npt.NDArray[np.float64]] = field(default_factory=dict)
    words: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def dump(self) -> str:
        """Return it as JSON; numbers come back the same."""
        return json.dumps(
            {"numbers": {name: list(values) for name, values in self.numbers.items()}, "words": self.words}
        )

    @classmethod
    def load(cls, text: str) -> Lexicon:
        """Return what `dump` wrote."""
        held = json.loads(text)
        numbers = {name: np.array(values, dtype=np.float64) for name, values in held["numbers"].items()}
        return cls(numbers, {name: tuple(words) for name, words in held["words"].items()})


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
