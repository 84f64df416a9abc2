"""From the episodes of columns to those of a rehearsal, so that both are counted and compared by the same code."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import polars as pl

from watcher.alerts.model import Policy
from watcher.replay.rehearsal.model import LevelStep, PlayedEpisode, Span, StationRun
from watcher.rulebook.words import Flag, Kind, Level

_Steps = dict[tuple[str, str], list[LevelStep]]


def runs_of(reports: Path, spells: pl.DataFrame, changes: pl.DataFrame, policy: Policy, span: Span) -> list[StationRun]:
    """Return the stations of a partition with their episodes, by code.

    Parameters
    ----------
    reports
        The partition's file.
    spells, changes
        What `columns.partition.run_partition` gives for it.
    policy
        The settings of the judgement.
    span
        To when stations are watched.
    """
    episodes = _episodes(spells, changes)
    return [
        StationRun(
            station=station,
            begins_at=begins_at,
            ends_at=max(ends_at, span.watched_until),
            reports=count,
            forecasts=0,
            late=late,
            unconfirmed=None,
            blind=None,
            blind_spells=None,
            turns=None,
            episodes=tuple(episodes.get(station, ())),
            events=(),
        )
        for station, begins_at, ends_at, count, late in _stations(reports, policy)
    ]


def _stations(reports: Path, policy: Policy) -> Iterator[tuple[str, datetime, datetime, int, int]]:
    heard_at = pl.coalesce("received_at", "observed_at")
    found = (
        pl.scan_parquet(reports)
        .group_by("station")
        .agg(
            heard_at.min().alias("begins_at"),
            heard_at.max().alias("ends_at"),
            pl.len().alias("reports"),
            (heard_at - pl.col("observed_at") > policy.stale_after).sum().alias("late"),
        )
        .sort("station")
        .collect()
    )
    return found.iter_rows()


def _episodes(spells: pl.DataFrame, changes: pl.DataFrame) -> dict[str, list[PlayedEpisode]]:
    steps = _steps(changes)
    found: dict[str, list[PlayedEpisode]] = defaultdict(list)
    columns = "station", "flag", "level", "began_at", "opened_at", "ended_at", "rules"
    for station, flag, level, began_at, opened_at, ended_at, rules in spells.select(columns).iter_rows():
        own = steps[station, flag]
        last = next((place for place, step in enumerate(own) if ended_at is not None and step.at >= ended_at), len(own))
        found[station].append(
            PlayedEpisode(
                id=f"{station} {flag} {opened_at:%Y-%m-%d %H%MZ}",
                station=station,
                flag=Flag(flag),
                kind=Kind.OBSERVED,
                level=Level(level),
                opened_at=opened_at,
                began_at=began_at,
                ended_at=ended_at,
                steps=tuple(own[:last]),
                rules=tuple(sorted(rules)),
            )
        )
        del own[:last]
    return found


def _steps(changes: pl.DataFrame) -> _Steps:
    """Return by station and flag the levels that were reached, with their times; ends are left out."""
    steps: _Steps = defaultdict(list)
    columns = "station", "flag", "at", "level_after"
    for station, flag, at, level in changes.filter(pl.col("level_after") > 0).select(columns).iter_rows():
        steps[station, flag].append(LevelStep(at, Level(level)))
    return steps
