"""The verdicts of rules as columns: does each condition begin, does one that holds go on."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from watcher.rulebook.model import Rule


def enter_column(rule: str) -> str:
    """Return the name of the column that says whether a rule's condition begins."""
    return f"{rule}|enter"


def keep_column(rule: str) -> str:
    """Return the name of the column that says whether a rule's condition goes on."""
    return f"{rule}|keep"


def facts_of(rules: Sequence[Rule]) -> frozenset[str]:
    """Return the facts that rules ask about: for `with_facts(only=...)`."""
    raise NotImplementedError


def with_verdicts(frame: pl.LazyFrame, rules: Sequence[Rule]) -> pl.LazyFrame:
    """Return the frame (`with_facts`) with two columns of each rule, Boolean, null where the answer is unknown."""
    raise NotImplementedError
