"""From what was counted to the scores, each with its interval and with what it rests on."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from itertools import product

import numpy as np
import polars as pl
from numpy.typing import NDArray

from watcher.replay.gathering.model import Gathered
from watcher.replay.gathering.share import share_of
from watcher.replay.phenomena import PROOFS
from watcher.replay.scores.bootstrap import RESAMPLES, SEED, Draws, draws
from watcher.replay.scores.estimate import LEAST_CASES, estimates, share
from watcher.replay.scores.expected import TOLERANCE_MIN, Came
from watcher.replay.scores.hours import ALWAYS, LEADS_H, NOT_YET, HourCounts
from watcher.replay.scores.model import (
    ArchiveShare,
    BlockScore,
    ExpectedScore,
    HourScore,
    Leads,
    OnsetScore,
    Scores,
)
from watcher.replay.scores.onsets import Warned
from watcher.replay.scores.ratios import FourCounts
from watcher.replay.scores.reliability import brier, certainty_classes
from watcher.replay.scores.subjects import Subject
from watcher.replay.scores.tally import Tally
from watcher.replay.truth import APART_MIN
from watcher.rulebook.words import Certainty, Level

_PROVED_BOTH_WAYS = [flag.value for flag, proof in PROOFS.items() if not proof.precursor]

# Hours ahead of the pictures by station and month.
MAIN_LEAD_H = 3
# Lead times are counted up to so many minutes; the last class is open.
LEAD_CLASSES_MIN = (30, 60, 120, 180, 360, 720, 1080)
LEAD_CLASSES = ("under 30 min", "30-60 min", "1-2 h", "2-3 h", "3-6 h", "6-12 h", "12-18 h", "over 18 h")


def score(
    tallied: Tally,
    gathered: Gathered | None = None,
    *,
    apart_min: int = APART_MIN,
    tolerance_min: int = TOLERANCE_MIN,
    resamples: int = RESAMPLES,
    seed: int = SEED,
) -> Scores:
    """Return the scores.

    Parameters
    ----------
    tallied
        Of all stations.
    gathered
        What the archives held, so that nobody reads a score without the faults of what it rests on; None where the
        table was there already.
    apart_min, tolerance_min
        As the tally was made, to be told.
    resamples, seed
        Of the intervals.
    """
    hours = tallied.hours
    drawn = draws(len(hours.stations), len(hours.months), resamples=resamples, seed=seed)
    blocks = pl.Series("block", hours.months if drawn.kind == "months" else hours.stations, dtype=pl.String)
    fates = _with_block(tallied.fates, "begins_at", drawn)
    # Of a precursor only what came is known, never what was in vain: its hits alone would make every promise look kept.
    judged = fates.filter(
        pl.col("came").is_in([Came.CAME.value, Came.IN_VAIN.value]), pl.col("flag").is_in(_PROVED_BOTH_WAYS)
    )
    return Scores(
        archive=_archive(tallied, gathered),
        apart_min=apart_min,
        tolerance_min=tolerance_min,
        drawn=drawn.words,
        hours=tuple(_hours(hours, drawn)),
        onsets=tuple(_onsets(tallied, blocks, drawn)),
        onsets_seen=tallied.onsets,
        onsets_unseen=tallied.unseen_onsets,
        expected=tuple(_expected(fates, blocks, drawn)),
        certainties=certainty_classes(judged, blocks, drawn),
        brier=brier(judged, blocks, drawn),
        unproved=tallied.unproved,
        by_station=_by_block(hours, hours.stations, hours.by_station),
        by_month=_by_block(hours, hours.months, hours.by_month),
    )


def _hours(hours: HourCounts, drawn: Draws) -> list[HourScore]:
    sums = hours.by_month if drawn.kind == "months" else hours.by_station
    found = []
    for (place, subject), (lead, lead_h), start in product(
        enumerate(hours.subjects), enumerate(LEADS_H), (ALWAYS, NOT_YET)
    ):
        if lead_h == 0 and start == NOT_YET:
            continue
        own = sums[:, place, lead, start]
        counts = FourCounts(*(int(total) for total in own[:, :4].sum(axis=0)))
        unjudged = int(own[:, 4].sum())
        scores = estimates(own[:, :4], drawn)
        found.append(HourScore(subject, lead_h, start == NOT_YET, counts, unjudged, scores))
    return found


def _onsets(tallied: Tally, blocks: pl.Series, drawn: Draws) -> list[OnsetScore]:
    every = _with_block(tallied.outcomes, "began_at", drawn)
    return [_onset(subject, every, blocks, drawn) for subject in tallied.hours.subjects]


def _onset(subject: Subject, every: pl.DataFrame, blocks: pl.Series, drawn: Draws) -> OnsetScore:
    own = every.filter((pl.col("flag") == subject.flag) & (pl.col("at_least") == subject.at_least))
    told = own.filter(pl.col("warned") == Warned.AHEAD.value)
    lead = told.get_column("lead_min").to_numpy()
    quartiles = np.percentile(lead, [25, 50, 75]).tolist() if len(lead) >= LEAST_CASES else None
    classes = np.bincount(np.searchsorted(LEAD_CLASSES_MIN, lead, side="right"), minlength=len(LEAD_CLASSES))
    by = told.group_by("opened_by").len().sort("len", descending=True).rows()
    return OnsetScore(
        subject=subject,
        onsets=len(own),
        ahead=share(_yes_no(own, pl.col("warned") == Warned.AHEAD.value, blocks), drawn),
        with_report=own.filter(pl.col("warned") == Warned.WITH_REPORT.value).height,
        never=own.filter(pl.col("warned") == Warned.NEVER.value).height,
        leads=Leads(*quartiles) if quartiles is not None else None,
        lead_classes=tuple(classes.tolist()),
        by=dict(by),
    )


def _expected(fates: pl.DataFrame, blocks: pl.Series, drawn: Draws) -> list[ExpectedScore]:
    order = [certainty.value for certainty in Certainty]
    found = []
    for (flag, level, certainty), own in fates.group_by("flag", "level", "certainty"):
        became = dict(own.group_by("came").len().rows())
        judged = own.filter(pl.col("came").is_in([Came.CAME.value, Came.IN_VAIN.value, Came.NOT_REPORTED.value]))
        came = share(_yes_no(judged, pl.col("came") == Came.CAME.value, blocks), drawn)
        found.append(
            ExpectedScore(
                flag=str(flag),
                level=Level(level).word,
                certainty=str(certainty),
                alerts=len(own),
                came=came,
                in_vain=became.get(Came.IN_VAIN.value, 0),
                not_reported=became.get(Came.NOT_REPORTED.value, 0),
                taken_back=became.get(Came.TAKEN_BACK.value, 0),
                not_judgeable=became.get(Came.NOT_JUDGEABLE.value, 0),
            )
        )
    return sorted(found, key=lambda row: (row.flag, -Level.of(row.level), order.index(row.certainty)))


def _with_block(frame: pl.DataFrame, time: str, drawn: Draws) -> pl.DataFrame:
    """Add what a row is drawn with: its station, or its month."""
    block = pl.col(time).dt.strftime("%Y-%m") if drawn.kind == "months" else pl.col("station")
    return frame.with_columns(block.alias("block"))


def _yes_no(frame: pl.DataFrame, yes: pl.Expr, blocks: pl.Series) -> NDArray[np.int64]:
    """Return of each block how many rows are so, and how many are not, shape (blocks, 2)."""
    counted = frame.group_by("block").agg(
        yes.sum().cast(pl.Int64).alias("yes"), (~yes).sum().cast(pl.Int64).alias("no")
    )
    every = pl.DataFrame({"block": blocks}).join(counted, on="block", how="left", maintain_order="left")
    return every.select(pl.col("yes", "no").fill_null(0)).to_numpy()


def _by_block(hours: HourCounts, names: tuple[str, ...], sums: NDArray[np.int64]) -> tuple[BlockScore, ...]:
    lead = LEADS_H.index(MAIN_LEAD_H)
    places = {subject.flag: hours.subjects.index(subject) for subject in main_subjects(hours.subjects)}
    return tuple(
        BlockScore(name, flag, FourCounts(*(int(count) for count in sums[row, place, lead, NOT_YET, :4])))
        for row, name in enumerate(names)
        for flag, place in places.items()
    )


def _archive(tallied: Tally, gathered: Gathered | None) -> ArchiveShare:
    sight = tallied.sight
    sums = {name: int(sight.get_column(name).sum()) for name in ("reports", "counted", "watched_min", "seen_min")}
    read = share_of(gathered) if gathered is not None else None
    return ArchiveShare(
        stations=len(sight),
        begins_at=_time(sight.get_column("first_at").min()),
        ends_at=_time(sight.get_column("last_at").max()),
        taken=read.taken if read is not None else None,
        left=read.left if read is not None else None,
        lost=read.lost if read is not None else (),
        **sums,
    )


def _time(value: object) -> datetime | None:
    return value if isinstance(value, datetime) else None


def main_subjects(subjects: Iterable[Subject]) -> tuple[Subject, ...]:
    """Return of each flag what it is measured by first: from prepare up, or as far up as its rules go."""
    found: dict[str, Subject] = {}
    for subject in subjects:
        before = found.get(subject.flag)
        if before is None or before.at_least < Level.PREPARE:
            found[subject.flag] = subject
    return tuple(found.values())
