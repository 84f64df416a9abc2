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
from watcher.replay.scores.alerts import steps
from watcher.replay.scores.subjects import Subject
from watcher.replay.truth import FALSE, ORIGIN_MIN, STATION_MIN, TRUE, UNKNOWN, Seen, Ticks, time_of, walk

# Hours ahead; 0: the weather of the latest report itself.
LEADS_H = (0, 1, 3, 6)
# Counted at every hour, and at those only at which the weather was not there already.
ALWAYS, NOT_YET = 0, 1
_CELLS = 5  # hits, in vain, misses, quiet, not judged
_UNJUDGED = 4
_PHENOMENA = tuple(Phenomenon)
_TRUTH_BITS, _LEVEL_BITS = 2, 3
_FIRST_LEVEL_BIT = _TRUTH_BITS * len(_PHENOMENA) * len(LEADS_H)


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
        What was told of them, with the columns of `scores.alerts.ALERTS`.
    subjects
        What is scored.
    """
    flags = list(dict.fromkeys(subject.flag for subject in subjects))
    hours, came = _hours(found)
    pattern = came + _levels(hours, steps(alerts), flags, found.stations)
    # The hour after a report: midnight belongs to the reports of the day that ends, also of a month.
    at = time_of(pl.col("hour") - 1)
    counted = (
        pl.LazyFrame({"hour": hours, "pattern": pattern})
        .group_by(
            (pl.col("hour") // STATION_MIN).cast(pl.Int32).alias("station"),
            (at.dt.year() * 12 + at.dt.month().cast(pl.Int32) - 1).alias("month"),
            "pattern",
        )
        .agg(pl.len().cast(pl.Int64).alias("hours"))
        .collect()
    )
    months, month = np.unique(counted.get_column("month").to_numpy(), return_inverse=True)
    cells = _cells(counted.get_column("pattern").to_numpy(), subjects, flags)
    weights = counted.get_column("hours").to_numpy()
    by_station = _summed(cells, weights, counted.get_column("station").to_numpy(), len(found.stations))
    by_month = _summed(cells, weights, month, len(months))
    named = tuple(f"{month // 12}-{month % 12 + 1:02d}" for month in months)
    return HourCounts(tuple(subjects), found.stations, named, by_station, by_month)


def _hours(found: Seen) -> tuple[Ticks, Ticks]:
    """Return the hours, and what was to come at each: two bits for each phenomenon and lead."""
    tick = found.rows.get_column("tick").to_numpy()
    hour = -(-tick // 60) * 60
    newest = np.flatnonzero(np.append(hour[:-1] < tick[1:], True)) if len(tick) else tick
    hours = hour[newest]
    pattern = np.zeros(len(hours), dtype=np.int64)
    for number, phenomenon in enumerate(_PHENOMENA):
        walked = walk(found, phenomenon)
        told = walked.told[newest]
        next_true, sight_until = walked.next_true[newest], walked.sight_until[newest]
        for lead, lead_h in enumerate(LEADS_H):
            code = told if lead_h == 0 else _comes(told, hours + 60 * lead_h, next_true, sight_until)
            pattern |= code.astype(np.int64) << _TRUTH_BITS * (len(LEADS_H) * number + lead)
    return hours, pattern


def _comes(told: NDArray[np.int8], until: Ticks, next_true: Ticks, sight_until: Ticks) -> NDArray[np.int8]:
    """Return whether it is told by a time, judged only where it is seen until then, or until it is told."""
    comes = (next_true <= until) & (next_true <= sight_until)
    code = np.where(comes, TRUE, np.where(sight_until >= until, FALSE, UNKNOWN)).astype(np.int8)
    return np.where(told == UNKNOWN, told, code)


def _levels(hours: Ticks, moves: pl.DataFrame, flags: Sequence[str], stations: Sequence[str]) -> Ticks:
    """Return the level of each flag at each hour, three bits each."""
    numbers = pl.DataFrame({"station": list(stations), "number": range(len(stations))})
    # A step within a minute counts from its end on.
    minute = -((-pl.col("at").dt.epoch("us")) // 60_000_000) - ORIGIN_MIN
    placed = moves.join(numbers, on="station").select(
        "flag", (pl.col("number") * STATION_MIN + minute).alias("tick"), pl.col("level").cast(pl.Int64)
    )
    # Nothing is told at the beginning of a station, whatever stood at the end of the one before.
    none_yet = numbers.select((pl.col("number") * STATION_MIN).alias("tick"), pl.lit(0, pl.Int64).alias("level"))
    pattern = np.zeros(len(hours), dtype=np.int64)
    for number, flag in enumerate(flags):
        own = pl.concat([none_yet, placed.filter(pl.col("flag") == flag).drop("flag")]).sort(
            "tick", maintain_order=True
        )
        begins = np.searchsorted(hours, own.get_column("tick").to_numpy())
        levels = np.repeat(own.get_column("level").to_numpy(), np.diff(np.append(begins, len(hours))))
        pattern |= levels << _FIRST_LEVEL_BIT + _LEVEL_BITS * number
    return pattern


def _cells(patterns: Ticks, subjects: Sequence[Subject], flags: Sequence[str]) -> NDArray[np.int8]:
    """Return the cell in which a pattern counts, shape (subjects, leads, 2, patterns); -1: in none."""
    found = np.empty((len(subjects), len(LEADS_H), 2, len(patterns)), dtype=np.int8)
    for place, subject in enumerate(subjects):
        level = (patterns >> _FIRST_LEVEL_BIT + _LEVEL_BITS * flags.index(subject.flag)) & 7
        quiet = np.where(level >= subject.at_least, 0, 2)
        first = _TRUTH_BITS * len(LEADS_H) * _PHENOMENA.index(subject.phenomenon)
        now = (patterns >> first) & 3
        for lead in range(len(LEADS_H)):
            comes = (patterns >> first + _TRUTH_BITS * lead) & 3
            cell = np.where(comes == UNKNOWN, _UNJUDGED, np.where(comes == TRUE, 0, 1) + quiet)
            found[place, lead, ALWAYS] = cell
            found[place, lead, NOT_YET] = np.where(now == FALSE, cell, -1)
    return found


def _summed(cells: NDArray[np.int8], weights: Ticks, unit: NDArray[np.integer], units: int) -> Ticks:
    """Return how many hours each unit has in each cell, shape (units, subjects, leads, 2, 5)."""
    found = np.zeros((units, *cells.shape[:-1], _CELLS), dtype=np.int64)
    for place in np.ndindex(cells.shape[:-1]):
        cell = cells[place]
        counted = cell >= 0
        where = unit[counted].astype(np.int64) * _CELLS + cell[counted]
        # Hours are far below 2**53, so that the sums of floats are exact.
        sums = np.bincount(where, weights=weights[counted], minlength=units * _CELLS)
        found[:, *place] = sums.reshape(units, _CELLS).astype(np.int64)
    return found


def _added(
    left: tuple[str, ...], left_sums: NDArray[np.int64], right: tuple[str, ...], right_sums: NDArray[np.int64]
) -> tuple[tuple[str, ...], NDArray[np.int64]]:
    units = tuple(sorted({*left, *right}))
    place = {unit: number for number, unit in enumerate(units)}
    sums = np.zeros((len(units), *left_sums.shape[1:]), dtype=np.int64)
    for own, counts in ((left, left_sums), (right, right_sums)):
        np.add.at(sums, [place[unit] for unit in own], counts)
    return units, sums
