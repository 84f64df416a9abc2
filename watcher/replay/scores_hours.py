"""Hour by hour: was an alert open, and was the weather reported within the next hours? Kept as sums over stations.

Every full hour at which a report of the past hour stands is one decision. It is judged only where the station is seen
from that report until the weather is reported or the hours are over.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from watcher.replay.phenomena import Phenomenon
from watcher.replay.scores_alerts import steps
from watcher.replay.scores_subjects import Subject
from watcher.replay.truth import STATION_MIN, Seen, time_of, walk

# Hours ahead; 0: the weather of the latest report itself.
LEADS_H = (0, 1, 3, 6)
# Counted at every hour, and at those only at which the weather was not there already.
ALWAYS, NOT_YET = 0, 1
_CELLS = 5  # hits, in vain, misses, quiet, not judged
_NO, _YES, _UNKNOWN = 0, 1, 2
_PHENOMENA = tuple(Phenomenon)
_TRUTH_BITS, _LEVEL_BITS = 2, 3
_FIRST_LEVEL_BIT = _TRUTH_BITS * len(_PHENOMENA) * len(LEADS_H)
_ROWS_AT_ONCE = 20_000


@dataclass(frozen=True, slots=True)
class HourCounts:
    """Counts of hours, additive over stations and over partitions of whole stations.

    Attributes
    ----------
    subjects, stations
        What the axes of the sums are.
    months
        Such as ``2026-01``.
    by_station, by_month
        Shape (stations or months, subjects, leads, 2, 5): at every hour or where it was not there yet; hits, in vain,
        misses, quiet, not judged.
    """

    subjects: tuple[Subject, ...]
    stations: tuple[str, ...]
    months: tuple[str, ...]
    by_station: NDArray[np.int64]
    by_month: NDArray[np.int64]

    def plus(self, other: HourCounts) -> HourCounts:
        """Return both together.

        Raises
        ------
        ValueError
            They count other things.
        """
        if self.subjects != other.subjects:
            raise ValueError("counts of other rules cannot be added")
        stations, by_station = _added(self.stations, self.by_station, other.stations, other.by_station)
        months, by_month = _added(self.months, self.by_month, other.months, other.by_month)
        return replace(self, stations=stations, months=months, by_station=by_station, by_month=by_month)


def count_hours(found: Seen, alerts: pl.DataFrame, subjects: Sequence[Subject]) -> HourCounts:
    """Return the counts of some stations.

    Parameters
    ----------
    found
        Their reports.
    alerts
        What was told of them, with the columns of `scores_alerts.ALERTS`.
    subjects
        What is scored.
    """
    flags = list(dict.fromkeys(subject.flag for subject in subjects))
    hours = _with_levels(_hours(found), steps(alerts), flags, found.stations)
    at = time_of(pl.col("hour"))
    counted = (
        hours.lazy()
        .group_by(
            (pl.col("hour") // STATION_MIN).cast(pl.Int32).alias("station"),
            (at.dt.year() * 12 + at.dt.month().cast(pl.Int32) - 1).alias("month"),
            "pattern",
        )
        .agg(pl.len().cast(pl.Int64).alias("hours"))
        .collect()
    )
    patterns = counted.get_column("pattern").unique().sort()
    cells = _cells(patterns.to_numpy(), subjects, flags)
    counted = counted.with_columns(patterns.search_sorted(counted.get_column("pattern")).alias("pattern"))
    months = counted.get_column("month").unique().sort()
    by_station = _summed(counted, "station", range(len(found.stations)), cells)
    by_month = _summed(counted, "month", months.to_list(), cells)
    named = tuple(f"{month // 12}-{month % 12 + 1:02d}" for month in months)
    return HourCounts(tuple(subjects), found.stations, named, by_station, by_month)


def _hours(found: Seen) -> pl.DataFrame:
    """Return the hours with what was to come, packed: two bits for each phenomenon and lead."""
    tick = pl.col("tick")
    hour = ((tick + 59) // 60) * 60
    parts = []
    for number, phenomenon in enumerate(_PHENOMENA):
        for lead, code in enumerate(_codes(phenomenon, hour)):
            parts.append(code.cast(pl.Int64) * (1 << _TRUTH_BITS * (len(LEADS_H) * number + lead)))
    newest = (hour < tick.shift(-1)).fill_null(value=True)
    packed = found.rows.lazy().select(hour.alias("hour"), pl.sum_horizontal(parts).alias("pattern"), newest=newest)
    return packed.filter("newest").drop("newest").collect()


def _codes(phenomenon: Phenomenon, hour: pl.Expr) -> list[pl.Expr]:
    state, walked = pl.col(phenomenon.value), walk(phenomenon.value)
    now = state.cast(pl.Int8).fill_null(_UNKNOWN)
    found = [now]
    for lead in LEADS_H[1:]:
        until = hour + 60 * lead
        comes = (walked.next_true <= until) & (walked.next_true <= walked.sight_until)
        stays_away = walked.sight_until >= until
        code = pl.when(state.is_null()).then(_UNKNOWN).when(comes).then(_YES).when(stays_away).then(_NO)
        found.append(code.otherwise(_UNKNOWN))
    return found


def _with_levels(
    hours: pl.DataFrame, moves: pl.DataFrame, flags: Sequence[str], stations: tuple[str, ...]
) -> pl.DataFrame:
    """Add the level of each flag at each hour to the pattern, three bits each."""
    numbers = pl.DataFrame(
        {"station": stations, "number": range(len(stations))}, schema={"station": pl.String, "number": pl.Int64}
    )
    # A step within a minute counts from its end on.
    minute = -((-pl.col("at").dt.epoch("us")) // 60_000_000)
    placed = moves.join(numbers, on="station").select(
        "flag", (pl.col("number") * STATION_MIN + minute).alias("hour"), "level"
    )
    # Nothing is told at the beginning of a station, whatever stood at the end of the one before.
    none_yet = numbers.select((pl.col("number") * STATION_MIN).alias("hour"), pl.lit(0, pl.UInt8).alias("level"))
    for number, flag in enumerate(flags):
        own = pl.concat([none_yet, placed.filter(pl.col("flag") == flag).drop("flag")])
        own = own.sort("hour", maintain_order=True).unique("hour", keep="last", maintain_order=True)
        level = pl.col("level").fill_null(0).cast(pl.Int64) * (1 << _FIRST_LEVEL_BIT + _LEVEL_BITS * number)
        hours = hours.join_asof(own.set_sorted("hour"), on="hour").select("hour", pl.col("pattern") + level)
    return hours


def _cells(patterns: NDArray[np.int64], subjects: Sequence[Subject], flags: Sequence[str]) -> NDArray[np.int64]:
    """Return in which cells a pattern counts, shape (patterns, subjects, leads, 2, 5), ones and zeros."""
    found = np.zeros((len(patterns), len(subjects), len(LEADS_H), 2, _CELLS), dtype=np.int64)
    rows = np.arange(len(patterns))
    for place, subject in enumerate(subjects):
        level = (patterns >> _FIRST_LEVEL_BIT + _LEVEL_BITS * flags.index(subject.flag)) & 7
        warned = level >= subject.at_least
        first = _TRUTH_BITS * len(LEADS_H) * _PHENOMENA.index(subject.phenomenon)
        now = (patterns >> first) & 3
        for lead in range(len(LEADS_H)):
            comes = (patterns >> first + _TRUTH_BITS * lead) & 3
            cell = np.where(comes == _UNKNOWN, 4, np.where(comes == _YES, 0, 1) + np.where(warned, 0, 2))
            found[rows, place, lead, ALWAYS, cell] = 1
            found[rows, place, lead, NOT_YET, cell] = now == _NO
    return found


def _summed(counted: pl.DataFrame, key: str, units: Sequence[int], cells: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the sums of each unit; a unit without an hour has none."""
    rows = counted.group_by(key, "pattern").agg(pl.col("hours").sum()).sort(key)
    place = np.searchsorted(np.asarray(units), rows.get_column(key).to_numpy())
    pattern, hours = rows.get_column("pattern").to_numpy(), rows.get_column("hours").to_numpy()
    flat = cells.reshape(len(cells), -1)
    found = np.zeros((len(units), flat.shape[1]), dtype=np.int64)
    for begin in range(0, len(rows), _ROWS_AT_ONCE):
        part = slice(begin, begin + _ROWS_AT_ONCE)
        weighed = flat[pattern[part]] * hours[part, np.newaxis]
        owners, starts = np.unique(place[part], return_index=True)
        found[owners] += np.add.reduceat(weighed, starts, axis=0)
    return found.reshape(len(units), *cells.shape[1:])


def _added(
    left: tuple[str, ...], left_sums: NDArray[np.int64], right: tuple[str, ...], right_sums: NDArray[np.int64]
) -> tuple[tuple[str, ...], NDArray[np.int64]]:
    units = tuple(sorted({*left, *right}))
    place = {unit: number for number, unit in enumerate(units)}
    sums = np.zeros((len(units), *left_sums.shape[1:]), dtype=np.int64)
    for own, counts in ((left, left_sums), (right, right_sums)):
        np.add.at(sums, [place[unit] for unit in own], counts)
    return units, sums
