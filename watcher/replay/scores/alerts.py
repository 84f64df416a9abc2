"""Alerts as spans of time: when a flag stood at a level or above it, and by what it was first told."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import polars as pl

from watcher.replay.rehearsal.model import PlayedEpisode, StationRun
from watcher.replay.scores.subjects import ANY
from watcher.rulebook.words import Kind, Level

_TIME = pl.Datetime("us", "UTC")
# fmt: off
ALERTS = pl.Schema({
    "station": pl.String(), "flag": pl.String(),
    "at_least": pl.UInt8(),               # the level that it stood at, or above; one row for each level that it reached
    "opened_at": _TIME,                 # when that was told
    "ended_at": _TIME,                  # null: not by the end of the archive
    "opened_by": pl.String(),             # observed, or the certainty of what was expected
})
EXPECTED = pl.Schema({
    "station": pl.String(), "flag": pl.String(), "level": pl.UInt8(), "certainty": pl.String(),
    "told_at": _TIME, "begins_at": _TIME, "until": _TIME,   # as it was first told
    "ended_at": _TIME,
})
# fmt: on
OBSERVED_BY = "observed"
_SPAN = ("station", "flag", "at_least")
_FAR = pl.lit("9999-01-01T00:00:00Z").str.to_datetime(time_unit="us", time_zone="UTC")


def alerts_of_changes(changes: pl.DataFrame) -> pl.DataFrame:
    """Return the observed alerts of the columns' path, with the columns of `ALERTS`.

    Parameters
    ----------
    changes
        As `columns.spells.level_changes` gives them: ``station``, ``flag``, ``at``, ``level_before``, ``level_after``,
        each station's flags in the order of time.
    """
    found = []
    changes = changes.with_columns(pl.col("flag").cast(pl.String))
    for level in Level:
        low, high = pl.col("level_before") < level, pl.col("level_after") >= level
        crossed = changes.filter(low == high).select(
            "station", "flag", "at", high.alias("opens"), pl.lit(level, pl.UInt8).alias("at_least")
        )
        crossed = crossed.sort(*_SPAN, "at", maintain_order=True)
        end = pl.when(~pl.col("opens").shift(-1)).then(pl.col("at").shift(-1))
        same = pl.all_horizontal(pl.col(name) == pl.col(name).shift(-1) for name in _SPAN)
        found.append(
            crossed.with_columns(pl.when(same).then(end).alias("ended_at"))
            .filter("opens")
            .select(*_SPAN, pl.col("at").alias("opened_at"), "ended_at", pl.lit(OBSERVED_BY).alias("opened_by"))
        )
    return _with_any(pl.concat(found).cast(ALERTS))


def alerts_of_runs(runs: Iterable[StationRun]) -> pl.DataFrame:
    """Return the alerts of the exact path, observed and expected, with the columns of `ALERTS`."""
    rows = [row for run in runs for row in _alert_rows(run)]
    return _with_any(_merged(pl.DataFrame(rows, schema=ALERTS, orient="row")))


def expected_of_runs(runs: Iterable[StationRun]) -> pl.DataFrame:
    """Return what was told to be expected, as it was first told, with the columns of `EXPECTED`."""
    rows = [row for run in runs for row in _expected_rows(run)]
    return pl.DataFrame(rows, schema=EXPECTED, orient="row")


def steps(alerts: pl.DataFrame) -> pl.DataFrame:
    """Return at what level each flag stood from when on: ``station``, ``flag``, ``at``, ``level`` (0: none)."""
    opened = alerts.select("station", "flag", pl.col("opened_at").alias("at"), pl.lit(1, pl.Int8).alias("step"))
    ended = alerts.filter(pl.col("ended_at").is_not_null()).select(
        "station", "flag", pl.col("ended_at").alias("at"), pl.lit(-1, pl.Int8).alias("step")
    )
    moved = (
        pl.concat([opened, ended])
        .group_by("station", "flag", "at")
        .agg(pl.col("step").cast(pl.Int32).sum())
        .sort("flag", "station", "at")
    )
    # Spans of one flag are nested by level, so that the number of those open is the level.
    return moved.select(
        "station", "flag", "at", pl.col("step").cum_sum().over("station", "flag").cast(pl.UInt8).alias("level")
    )


def _alert_rows(run: StationRun) -> Iterator[tuple[object, ...]]:
    for episode in run.episodes:
        certainty = episode.certainty if episode.kind is Kind.EXPECTED else None
        by = OBSERVED_BY if certainty is None else certainty.value
        for level in Level:
            for opened_at, ended_at in _at_least(episode, level):
                yield run.station, episode.flag.value, int(level), opened_at, ended_at, by


def _at_least(episode: PlayedEpisode, level: Level) -> Iterator[tuple[object, object]]:
    """Yield from when to when an episode stood at a level or above it."""
    since = None
    for step in episode.steps:
        if since is None and step.level >= level:
            since = step.at
        elif since is not None and step.level < level:
            yield since, step.at
            since = None
    if since is not None:
        yield since, episode.ended_at


def _expected_rows(run: StationRun) -> Iterator[tuple[object, ...]]:
    for episode in run.episodes:
        if episode.kind is not Kind.EXPECTED or episode.certainty is None or episode.told_from is None:
            continue
        level = episode.steps[0].level if episode.steps else episode.level
        yield (
            run.station, episode.flag.value, int(level), episode.certainty.value, episode.opened_at,
            episode.told_from, episode.told_until or episode.told_from, episode.ended_at,
        )  # fmt: skip


def _with_any(alerts: pl.DataFrame) -> pl.DataFrame:
    """Add the spans in which any flag stood at a level."""
    every = _merged(alerts.with_columns(pl.lit(ANY).alias("flag")))
    return pl.concat([alerts, every])


def _merged(alerts: pl.DataFrame, keys: Sequence[str] = _SPAN) -> pl.DataFrame:
    """Return the spans with those that touch or overlap made one, told by what told the first."""
    end = pl.col("ended_at").fill_null(_FAR)
    ordered = alerts.sort(*keys, "opened_at", maintain_order=True)
    reach = end.cum_max().over(keys).shift(1)
    same = pl.all_horizontal(pl.col(name) == pl.col(name).shift(1) for name in keys)
    begins = ~(same & (pl.col("opened_at") <= reach)).fill_null(value=False)
    return (
        ordered.with_columns(begins.cum_sum().alias("span"))
        .group_by("span", maintain_order=True)
        .agg(
            *(pl.col(name).first() for name in keys),
            pl.col("opened_at").first(),
            end.max().alias("ended_at"),
            pl.col("opened_by").first(),
        )
        .with_columns(pl.when(pl.col("ended_at") < _FAR).then(pl.col("ended_at")).alias("ended_at"))
        .select(list(ALERTS))
    )
