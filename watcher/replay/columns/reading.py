"""How conditions read the columns of facts: each thing that leaves ask is one column, which all rules share."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from types import MappingProxyType
from typing import Literal

import numpy as np
import polars as pl

from watcher.replay.columns.answers import WeatherAnswers
from watcher.replay.columns.lexicon import PLAIN, Lexicon
from watcher.replay.columns.names import column_of
from watcher.rulebook.leaves import WeatherLeaf

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

    What is asked of it becomes a column of a frame by `on`, computed once however many rules ask it.

    Parameters
    ----------
    weather
        Their weather leaves.
    lexicon
        Of a frame with coded columns.
    """

    def __init__(self, weather: Iterable[WeatherLeaf] = (), lexicon: Lexicon = PLAIN) -> None:
        self._lexicon = lexicon
        self._asked: dict[str, pl.Expr] = {}
        by_field: dict[str, list[WeatherLeaf]] = {}
        for leaf in dict.fromkeys(weather):
            by_field.setdefault(leaf.field, []).append(leaf)
        self._weather = {
            field: WeatherAnswers(field, leaves, lexicon.words.get(column_of(field)))
            for field, leaves in by_field.items()
        }

    def on(self, frame: pl.LazyFrame) -> pl.LazyFrame:
        """Return a frame of facts with what was asked so far (`names`)."""
        answered = frame.with_columns(answers.columns for answers in self._weather.values())
        return answered.with_columns(asked.alias(name) for name, asked in self._asked.items())

    @property
    def names(self) -> list[str]:
        """Return the columns that `on` adds."""
        return [*(name for answers in self._weather.values() for name in answers.names), *self._asked]

    def compared(self, column: str, op: str, bound: float) -> pl.Expr:
        """Return whether a number stands so to a bound; null where it is not known."""
        values = self._lexicon.numbers.get(column)
        if values is None:
            return self._once(f"{column} {op} {bound!r}", _COMPARED[op](pl.col(column), bound))
        below, side = _PLACED[op]
        place = int(np.searchsorted(values, bound, side=side))
        if below:
            return self._once(f"{column} < place {place}", pl.col(column) < place)
        return self._once(f"{column} >= place {place}", pl.col(column) >= place)

    def is_word(self, column: str, word: str) -> pl.Expr:
        """Return whether a word is this one; null where it is not known."""
        words = self._lexicon.words.get(column)
        if words is None:
            return self._once(f"{column} is {word}", pl.col(column) == pl.lit(word))
        # A word that the file does not have is that of no report.
        place = words.index(word) if word in words else len(words)
        return self._once(f"{column} is {word}", pl.col(column) == place)

    def has_weather(self, leaf: WeatherLeaf) -> pl.Expr:
        """Return the answer of a weather leaf."""
        return self._once(str(leaf), self._weather[leaf.field].of(leaf))

    def _once(self, name: str, asked: pl.Expr) -> pl.Expr:
        self._asked.setdefault(name, asked)
        return pl.col(name)
