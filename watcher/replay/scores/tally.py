"""All that scores are made of, for some whole stations: small, and additive over partitions and machines."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import reduce

import polars as pl

from watcher.alerts.model import Policy
from watcher.replay.phenomena import UNPROVABLE, Phenomenon
from watcher.replay.scores.alerts import EXPECTED
from watcher.replay.scores.expected import TOLERANCE_MIN, fates
from watcher.replay.scores.hours import HourCounts, count_hours
from watcher.replay.scores.onsets import outcomes
from watcher.replay.scores.subjects import Subject
from watcher.replay.truth import APART_MIN, onsets, seen, sights, station_of, time_of

SIGHT = pl.Schema(
    {
        "station": pl.String(),
        "reports": pl.Int64(),  # in the table
        "counted": pl.Int64(),  # of those, in force and with content, one for each time
        "watched_min": pl.Int64(),  # from the first to the last that counts
        "seen_min": pl.Int64(),  # of those, in which freezing or frozen precipitation could have been told
        "first_at": pl.Datetime("us", "UTC"),  # null: none counts
        "last_at": pl.Datetime("us", "UTC"),
    }
)


@dataclass(frozen=True, slots=True)
class Tally:
    """What some stations give to the scores.

    Attributes
    ----------
    hours
        Hour by hour.
    outcomes, fates
        Onset by onset, and expectation by expectation, with the columns of `OUTCOMES` and `FATES`.
    onsets, unseen_onsets
        By phenomenon: how many beginnings were seen, and how many were not, which nobody is measured by.
    unproved
        By flag of `UNPROVABLE`: how many alerts opened.
    sight
        With the columns of `SIGHT`.
    """

    hours: HourCounts
    outcomes: pl.DataFrame
    fates: pl.DataFrame
    onsets: dict[str, int]
    unseen_onsets: dict[str, int]
    unproved: dict[str, int]
    sight: pl.DataFrame

    def plus(self, other: Tally) -> Tally:
        """Return both together. Raises ValueError where they are of other rules."""
        return Tally(
            self.hours.plus(other.hours),
            pl.concat([self.outcomes, other.outcomes]),
            pl.concat([self.fates, other.fates]),
            _added(self.onsets, other.onsets),
            _added(self.unseen_onsets, other.unseen_onsets),
            _added(self.unproved, other.unproved),
            pl.concat([self.sight, other.sight]),
        )


def tally(
    frame: pl.LazyFrame,
    alerts: pl.DataFrame,
    subjects: Sequence[Subject],
    *,
    expected: pl.DataFrame | None = None,
    policy: Policy | None = None,
    apart_min: int = APART_MIN,
    tolerance_min: int = TOLERANCE_MIN,
) -> Tally:
    """Return what some whole stations give to the scores.

    Parameters
    ----------
    frame
        Their reports, with the columns of `table.OBSERVED`, sorted by station, time and order.
    alerts
        What was told of them: `scores.alerts.alerts_of_changes` on the columns' path, `alerts_of_runs` on the exact
        one.
    subjects
        What is scored: `scores.subjects.subjects_of`.
    expected
        What was told to be expected, `scores.alerts.expected_of_runs`; None on the columns' path, which has no TAFs.
    policy
        How long a station may be silent; None: as it comes.
    apart_min
        Minutes without a weather before it begins anew.
    tolerance_min
        Minutes around an expected period in which the weather still counts as expected.
    """
    found = seen(frame, policy=policy)
    begun = onsets(found, apart_min=apart_min)
    counts = begun.group_by("phenomenon", "onset_seen").len().rows()
    every = frame.group_by("station").agg(pl.len().cast(pl.Int64).alias("reports")).collect()
    own = alerts.filter(pl.col("at_least") == 1).group_by("flag").len()
    return Tally(
        hours=count_hours(found, alerts, subjects),
        outcomes=outcomes(begun, alerts, subjects),
        fates=fates(
            expected if expected is not None else pl.DataFrame(schema=EXPECTED), found, tolerance_min=tolerance_min
        ),
        onsets={name: number for name, was_seen, number in counts if was_seen},
        unseen_onsets={name: number for name, was_seen, number in counts if not was_seen},
        unproved={flag.value: number for flag in UNPROVABLE for name, number in own.rows() if name == flag.value},
        sight=_sight(every, found.stations, found.rows, sights(found, Phenomenon.PRECIPITATION)),
    )


def together(tallies: Iterable[Tally]) -> Tally:
    """Return the tallies of all partitions as one."""
    return reduce(Tally.plus, tallies)


def _sight(every: pl.DataFrame, stations: Sequence[str], rows: pl.DataFrame, spans: pl.DataFrame) -> pl.DataFrame:
    watched = (
        rows.select(station_of(pl.col("tick"), stations), "tick")
        .group_by("station")
        .agg(
            pl.len().cast(pl.Int64).alias("counted"),
            (pl.col("tick").max() - pl.col("tick").min()).alias("watched_min"),
            time_of(pl.col("tick").min()).alias("first_at"),
            time_of(pl.col("tick").max()).alias("last_at"),
        )
    )
    seen_for = (pl.col("sight_until") - pl.col("sight_from")).dt.total_minutes()
    lit = spans.group_by("station").agg(seen_for.sum().alias("seen_min"))
    joined = every.join(watched, on="station", how="left").join(lit, on="station", how="left")
    return (
        joined.sort("station")
        .select(pl.col(pl.Int64).fill_null(0), pl.exclude(pl.Int64))
        .select(list(SIGHT))
        .cast(SIGHT)
    )


def _added(one: dict[str, int], other: dict[str, int]) -> dict[str, int]:
    return {name: one.get(name, 0) + other.get(name, 0) for name in {**one, **other}}
