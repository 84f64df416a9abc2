"""What an archive teaches of its stations: the habits of `alerts.habits`, in columns; equal to those, row by row.

An archive must be whole. A selection of reports, such as the icy ones, looks like a station that is often silent: it
teaches long gaps, by which nobody waits longer than an hour (`alerts.sight`), and may teach a silence that is none.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl

from watcher.alerts.habits import DAYS_NEEDED, LATENESS_NEEDED, LATEST, LONGEST_GAP, SHORTEST_GAP, Habits, hour_of

_DAY_US = 86_400_000_000
_MINUTE_US = 60_000_000
_HOURS = range(24)
_LATE = {"late_p50_min": 50, "late_p90_min": 90, "late_p99_min": 99}


def learn(frame: pl.LazyFrame, until: datetime | None = None) -> pl.DataFrame:
    """Return what stations usually do, one row for each.

    Parameters
    ----------
    frame
        Reports with the columns of `table.OBSERVED`, of which station, observed_at, received_at, order, kind, auto, nil
        and in_force are read. All reports of a station stand in it.
    until
        Days of 24 hours are counted back from here, a whole hour, aware UTC; None: the midnight after the newest report
        in the frame.

    Returns
    -------
    `station`, `days`, `reports`, `begins_at`, `ends_at`, `late_p50_min`, `late_p90_min`, `late_p99_min` (null: not
    known), and `hours`, a list of 24 structs `reported`, `gap_min`, `auto`. Sorted by station.
    """
    return _joined(_usable(frame, until if until is not None else _midnight_after(frame)))


def learned_from(partitions: Sequence[Path], newest: datetime) -> dict[str, Habits]:
    """Return habits by station of an archive's partitions, each of which holds whole stations.

    Parameters
    ----------
    partitions
        Files with the columns of `table.OBSERVED`.
    newest
        When the newest report in all of them was made.
    """
    until = _midnight(newest)
    return {code: habits for path in partitions for code, habits in habits_of(pl.scan_parquet(path), until).items()}


def habits_of(frame: pl.LazyFrame, until: datetime | None = None) -> dict[str, Habits]:
    """Return the same by station, as the judgement has it."""
    return {row["station"]: _habits(row) for row in learn(frame, until).iter_rows(named=True)}


def _midnight_after(frame: pl.LazyFrame) -> datetime:
    newest = frame.select(pl.col("observed_at").max()).collect().item()
    if not isinstance(newest, datetime):
        return datetime.max.replace(tzinfo=UTC)  # there is no report, and so no day
    return _midnight(newest)


def _midnight(moment: datetime) -> datetime:
    return moment.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)


def _usable(frame: pl.LazyFrame, until: datetime) -> pl.LazyFrame:
    """Return one row for each time of a station, with its hour and its day."""
    observed_at = pl.col("observed_at")
    back_us = pl.lit(until) - observed_at
    return (
        frame.filter(~pl.col("nil"), pl.col("in_force"), observed_at < until)
        .sort("station", "observed_at", "order")
        .unique(["station", "observed_at"], keep="first", maintain_order=True)
        .select(
            "station",
            "observed_at",
            "received_at",
            "auto",
            routine=pl.col("kind") == "METAR",
            hour=observed_at.dt.hour(),
            day=(back_us.dt.total_microseconds() - 1) // _DAY_US,
        )
    )


def _joined(rows: pl.LazyFrame) -> pl.DataFrame:
    stations = rows.group_by("station").agg(
        days=pl.col("day").n_unique().cast(pl.Int64),
        reports=pl.len().cast(pl.Int64),
        begins_at=pl.col("observed_at").min(),
        ends_at=pl.col("observed_at").max(),
    )
    every = stations.select("station").join(pl.LazyFrame({"hour": pl.Series(_HOURS, dtype=pl.Int8)}), how="cross")
    hours = (
        every.join(_by_hour(rows), on=["station", "hour"], how="left")
        .join(_gaps(rows), on=["station", "hour"], how="left")
        .sort("station", "hour")
        .group_by("station", maintain_order=True)
        .agg(hours=pl.struct(pl.col("reported").fill_null(0), "gap_min", "auto"))
    )
    return (
        stations.join(_lateness(rows), on="station", how="left")
        .join(hours, on="station", how="left")
        .sort("station")
        .collect()
    )


def _by_hour(rows: pl.LazyFrame) -> pl.LazyFrame:
    return rows.group_by("station", "hour").agg(
        reported=pl.col("day").n_unique().cast(pl.Int64),
        auto=pl.col("auto").sum().cast(pl.Float64) / pl.len().cast(pl.Float64),
    )


def _gaps(rows: pl.LazyFrame) -> pl.LazyFrame:
    """Return by hour how soon the next routine report follows, in nine of ten cases."""
    gap_us = (pl.col("observed_at").shift(-1).over("station") - pl.col("observed_at")).dt.total_microseconds()
    return (
        rows.filter("routine")
        .with_columns(gap_us=gap_us)
        .filter(pl.col("gap_us").is_between(_us(SHORTEST_GAP), _us(LONGEST_GAP)))
        .group_by("station", "hour")
        .agg(gap_min=_percentile(pl.col("gap_us") / _MINUTE_US, 90), cases=pl.len())
        .filter(pl.col("cases") >= DAYS_NEEDED)
        .drop("cases")
    )


def _lateness(rows: pl.LazyFrame) -> pl.LazyFrame:
    """Return minutes until reports came; of several that came at once the newest counts."""
    late_us = (pl.col("received_at") - pl.col("observed_at")).dt.total_microseconds()
    return (
        rows.filter(pl.col("received_at").is_not_null())
        .group_by("station", "received_at")
        .agg(pl.col("observed_at").max())
        .with_columns(late_us=late_us)
        .filter(pl.col("late_us").is_between(0, _us(LATEST)))
        .group_by("station")
        .agg(
            *(_percentile(pl.col("late_us") / _MINUTE_US, percent).alias(name) for name, percent in _LATE.items()),
            cases=pl.len(),
        )
        .filter(pl.col("cases") >= LATENESS_NEEDED)
        .drop("cases")
    )


def _percentile(values: pl.Expr, percent: int) -> pl.Expr:
    """Return the smallest value that so many of a hundred do not exceed (the nearest rank)."""
    return values.sort().get((pl.len() * percent + 99) // 100 - 1)


def _us(span: timedelta) -> int:
    return span // timedelta(microseconds=1)


def _habits(row: Mapping[str, object]) -> Habits:
    values = dict(row)
    del values["station"]
    hours = values.pop("hours")
    assert isinstance(hours, list)
    return Habits(**values, hours=tuple(hour_of(**hour) for hour in hours))  # type: ignore[arg-type]
