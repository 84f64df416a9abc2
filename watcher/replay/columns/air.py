"""Frost point, spread and relative humidity for whole columns: each distinct case is computed once, as for a report."""

from __future__ import annotations

from collections.abc import Collection
from functools import lru_cache
from typing import Any

import polars as pl

from watcher.replay.columns.distinct import distinct_cases
from watcher.rulebook.derive import humidity_facts

AIR = ("frost_point_c", "spread_c", "relative_humidity_pct")
AIR_COLUMNS = tuple(f"{fact}{end}" for fact in AIR for end in ("", "_low", "_high"))

# Stands for a temperature that is not known: colder than anything.
_NO_TEMP_C = -1e6
_NOMINAL = ("temp_c", "dew_point_c")
_WIDE = ("temp_c", "dew_point_c", "temp_c_low", "temp_c_high", "dew_point_c_low", "dew_point_c_high")


def reported_for(wanted: Collection[str]) -> tuple[str, ...]:
    """Return the reported columns from which those wanted of AIR_COLUMNS are made."""
    ours = set(wanted) & set(AIR_COLUMNS)
    if not ours:
        return ()
    return _NOMINAL if ours <= set(AIR) else _WIDE


def air_facts(frame: pl.DataFrame, wanted: Collection[str]) -> pl.DataFrame:
    """Return those of AIR_COLUMNS that are wanted, for reports with the columns of `reported_for`."""
    ours = tuple(name for name in AIR_COLUMNS if name in wanted)
    if ours == ("spread_c",):
        # Rounding can put the dew point above the temperature, as in `rulebook.derive`.
        return frame.select((pl.col("temp_c") - pl.col("dew_point_c")).clip(lower_bound=0.0).alias("spread_c"))
    cases = frame.select(reported_for(wanted))
    example, case = distinct_cases([column.fill_null(_NO_TEMP_C).to_numpy() for column in cases])
    rows = [_row(ours, *values) for values in cases[pl.Series(example)].iter_rows()]
    return pl.DataFrame(rows, schema=dict.fromkeys(ours, pl.Float64), orient="row")[pl.Series(case)]


@lru_cache(maxsize=65_536)
def _row(
    ours: tuple[str, ...], temp_c: float | None, dew_point_c: float | None, *ends: float | None
) -> tuple[float | None, ...]:
    low, high, dew_low, dew_high = ends or (None,) * 4
    temp = (low, high) if low is not None and high is not None else None
    dew = (dew_low, dew_high) if dew_low is not None and dew_high is not None else None
    values, intervals = humidity_facts(temp_c, dew_point_c, temp, dew)
    columns: dict[str, Any] = {fact: values.get(fact) for fact in AIR}
    for fact in AIR:
        columns[f"{fact}_low"], columns[f"{fact}_high"] = intervals.get(fact, (None, None))
    return tuple(columns[name] for name in ours)
