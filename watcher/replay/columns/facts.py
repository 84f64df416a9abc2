"""The facts that rules may use as columns, equal to those the judgement makes of each report."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import polars as pl

from watcher.reports.station import Station

# Facts that are more than the reported column of the same name: what could not be seen is among them, or unknown.
_MORE_THAN_REPORTED = frozenset({"weather", "freezing_or_frozen", "weather_observable"})


def column_of(fact: str) -> str:
    """Return the column that holds a fact: of the same name, or with `|fact` where OBSERVED has what was reported."""
    return f"{fact}|fact" if fact in _MORE_THAN_REPORTED else fact


def with_facts(
    frame: pl.LazyFrame, positions: Mapping[str, Station], only: Collection[str] | None = None
) -> pl.LazyFrame:
    """Return the reports in the order in which they are heard, with `heard_at`, `heard` and the facts of each.

    Parameters
    ----------
    frame
        Whole stations, with the columns of `table.OBSERVED`; those that `only` does not need may be left out.
    positions
        Stations by code; one that is missing, or without a position, has no light.
    only
        The facts that are wanted (`verdicts.facts_of`); None: all of them. The frost model's are null.

    Returns
    -------
    LazyFrame
        Sorted by `station` and hearing. `heard_at`: `received_at`, else `observed_at`. `heard`: the judgement would
        have taken the report as the station's latest word. `weather|fact`, `recent_weather`: groups joined by a blank.
        Of a number that rounding leaves wide, `<fact>_low` and `<fact>_high`.
    """
    raise NotImplementedError
