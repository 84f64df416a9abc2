"""The scores of a replay: what its rehearsal told, held against what the same reports tell afterwards."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby

import polars as pl

from watcher.replay.gathering.model import Partition
from watcher.replay.run.whole import Asked, Replayed
from watcher.replay.scores.alerts import alerts_of_runs, expected_of_runs
from watcher.replay.scores.expected import TOLERANCE_MIN
from watcher.replay.scores.model import Scores
from watcher.replay.scores.score import score
from watcher.replay.scores.subjects import subjects_of
from watcher.replay.scores.tally import Tally, tally, together
from watcher.replay.truth import APART_MIN


def scored(replayed: Replayed, *, apart_min: int = APART_MIN, tolerance_min: int = TOLERANCE_MIN) -> Scores:
    """Return the scores of the rules that a replay was made with.

    Parameters
    ----------
    replayed
        Its rehearsal is read once more from the work folder.
    apart_min
        Minutes without a weather, by what the reports tell, before it begins anew.
    tolerance_min
        Minutes around an expected period in which the weather still counts as expected.
    """
    tallies = _tallies(replayed, apart_min, tolerance_min)
    return score(together(tallies), replayed.gathered, apart_min=apart_min, tolerance_min=tolerance_min)


def _tallies(replayed: Replayed, apart_min: int, tolerance_min: int) -> Iterator[Tally]:
    asked, partitions = replayed.asked, replayed.gathered.partitions
    subjects = subjects_of(asked.rules.book)
    place_of = {code: place for place, partition in enumerate(partitions) for code in partition.stations}
    # A rehearsal keeps its stations in the order of the partitions. The episodes of one partition at a time are in
    # memory: those of 5,000 stations in five months of winter would take 0.8 GB.
    for place, runs in groupby(replayed.rehearsal.runs(), key=lambda run: place_of[run.station]):
        own = list(runs)
        yield tally(
            _reports(partitions[place], asked),
            alerts_of_runs(own),
            subjects,
            expected=expected_of_runs(own),
            policy=asked.policy,
            apart_min=apart_min,
            tolerance_min=tolerance_min,
        )


def _reports(partition: Partition, asked: Asked) -> pl.LazyFrame:
    """Return the reports of a partition that were rehearsed."""
    frame = pl.scan_parquet(partition.reports)
    heard_at = pl.coalesce("received_at", "observed_at")
    if asked.only is not None:
        frame = frame.filter(pl.col("station").is_in(sorted(asked.only)))
    if asked.begin is not None:
        frame = frame.filter(heard_at >= asked.begin)
    if asked.until is not None:
        frame = frame.filter(heard_at < asked.until)
    return frame
