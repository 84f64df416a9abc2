"""All that rules say of one partition, in small tables: what one process does, and each worker of a cluster alike."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from watcher.alerts.model import Policy
from watcher.replay.columns.names import enter_column, keep_column
from watcher.replay.columns.spells import follow
from watcher.replay.columns.stored import judged_reports
from watcher.replay.gathering.model import Partition
from watcher.reports.station import Station
from watcher.rulebook.model import Rule


@dataclass(frozen=True, slots=True)
class Judged:
    """What rules say of some partitions.

    `rows`: reports; `heard`: of them, those that the judgement takes as the latest word. `spells`, `changes`: as
    `spells.SPELLS` and `spells.CHANGES` have them. `counts`: for each rule in how many of all reports it begins, goes
    on, and in how many it is not known whether it begins (`rule`, `begins`, `goes_on`, `unknown`).
    """

    rows: int
    heard: int
    spells: pl.DataFrame
    changes: pl.DataFrame
    counts: pl.DataFrame


def run_partition(
    partition: Partition,
    *,
    rules: Sequence[Rule],
    positions: Mapping[str, Station],
    policy: Policy,
    kept: Path | None = None,
) -> Judged:
    """Return what rules say of a partition; parameters as `stored.judged_reports` and `spells.spells` have them."""
    frame = judged_reports(partition, rules, positions, kept).collect()
    spells, changes = follow(frame.lazy(), rules, policy)
    return Judged(frame.height, int(frame["heard"].sum()), spells, changes, verdict_counts(frame.lazy(), rules))


def together(results: Iterable[Judged]) -> Judged:
    """Return the results of several partitions as one, in their order.

    Raises
    ------
    ValueError
        There is none.
    """
    every = list(results)
    counts = pl.concat([result.counts for result in every])
    return Judged(
        rows=sum(result.rows for result in every),
        heard=sum(result.heard for result in every),
        spells=pl.concat([result.spells for result in every]),
        changes=pl.concat([result.changes for result in every]),
        counts=counts.group_by("rule", maintain_order=True).agg(pl.col("begins", "goes_on", "unknown").sum()),
    )


def verdict_counts(frame: pl.LazyFrame, rules: Sequence[Rule]) -> pl.DataFrame:
    """Return in how many of all reports each rule begins, goes on, is unknown, as `Judged.counts` has it."""
    enters = [pl.col(enter_column(rule.name)) for rule in rules]
    keeps = [pl.col(keep_column(rule.name)) for rule in rules]
    asked = [
        *(enter.sum().alias(f"{place}|begins") for place, enter in enumerate(enters)),
        *(keep.sum().alias(f"{place}|goes_on") for place, keep in enumerate(keeps)),
        *(enter.null_count().alias(f"{place}|unknown") for place, enter in enumerate(enters)),
    ]
    found = frame.select(asked).collect(engine="streaming").row(0)
    return pl.DataFrame(
        {
            "rule": [rule.name for rule in rules],
            "begins": found[: len(rules)],
            "goes_on": found[len(rules) : 2 * len(rules)],
            "unknown": found[2 * len(rules) :],
        },
        schema={"rule": pl.String, "begins": pl.Int64, "goes_on": pl.Int64, "unknown": pl.Int64},
    )
