"""How the columns of facts and verdicts are called."""

from __future__ import annotations

import polars as pl

from watcher.rulebook.facts import FACTS, FACTS_BY_NAME

# Facts that are more than the reported column of the same name: what could not be seen is among them, or unknown.
MORE_THAN_REPORTED = frozenset({"weather", "freezing_or_frozen", "weather_observable"})
# Numbers that rounding or doubt leaves wide.
INTERVALS = ("temp_c", "dew_point_c", "frost_point_c", "spread_c", "relative_humidity_pct")
# A replay computes no nights.
NEVER_KNOWN = frozenset(spec.name for spec in FACTS if spec.origin == "frost model")

SNOW_WORDS = pl.Enum(FACTS_BY_NAME["snow_intensity"].words)


def column_of(fact: str) -> str:
    """Return the column that holds a fact: of the same name, or with `|fact` where that is what was reported."""
    return f"{fact}|fact" if fact in MORE_THAN_REPORTED else fact


def enter_column(rule: str) -> str:
    """Return the name of the column that says whether a rule's condition begins."""
    return f"{rule}|enter"


def keep_column(rule: str) -> str:
    """Return the name of the column that says whether a rule's condition goes on."""
    return f"{rule}|keep"
