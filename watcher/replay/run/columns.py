"""A replay by columns: what reports say, over whole partitions, on the processes of one machine or on many machines.

It is for archives that are too large to be heard again report by report. Forecasts, blindness and messages are left
out; the episodes of what reports say are those of the judgement.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import polars as pl

from watcher.alerts.model import Policy
from watcher.errors import UsageError
from watcher.replay.cluster import over_partitions
from watcher.replay.columns.partition import run_partition
from watcher.replay.columns.stored import stored_facts
from watcher.replay.columns.verdicts import facts_of
from watcher.replay.comparison import episodes as comparisons
from watcher.replay.comparison.model import Comparison, RuleChanges, Side
from watcher.replay.gathering.gather import gather
from watcher.replay.gathering.model import Partition
from watcher.replay.rehearsal import totals
from watcher.replay.rehearsal.files import content_of
from watcher.replay.rehearsal.model import Span, StationRun
from watcher.replay.run.spells import runs_of
from watcher.replay.run.whole import Asked, Replayed, Watching, nothing_in, span_of
from watcher.replay.scores.alerts import alerts_of_changes
from watcher.replay.scores.model import Scores
from watcher.replay.scores.score import score
from watcher.replay.scores.subjects import subjects_of
from watcher.replay.scores.tally import Tally, tally
from watcher.replay.scores.tally import together as tallies_together
from watcher.replay.truth import READ
from watcher.replay.work.files import note_use, write_frame
from watcher.reports.station import Station
from watcher.rulebook.model import Rulebook
from watcher.rulebook.words import Kind

# In the work folder: the facts of partitions, and the parts of partitions that were asked for.
_FACTS, _PARTS = "facts", "narrowed"


@dataclass(frozen=True, slots=True)
class _Work:
    """What is done with each partition; it travels to other processes and machines."""

    work: Path
    books: tuple[Rulebook, ...]
    policy: Policy
    positions: Mapping[str, Station]
    span: Span
    only: frozenset[str] | None
    sides: tuple[Side, Side] | None
    rules: RuleChanges | None
    scored: bool
    fresh: bool


@dataclass(frozen=True, slots=True)
class _Answer:
    """What one partition gives: figures, differences, and for each rulebook what its scores are made of."""

    totals: totals.Totals
    comparison: Comparison | None
    tallies: tuple[Tally, ...]


def run_by_columns(
    asked: Asked, watching: Watching, *, scheduler: str | None = None, scored: bool = False
) -> tuple[Replayed, tuple[Scores, ...]]:
    """Replay archives by columns, and return the scores of each rulebook, if they are asked for.

    Parameters
    ----------
    asked
        What is replayed. Its subscriptions are not used.
    watching
        Told how far it has come.
    scheduler
        As `cluster.over_partitions` has it; the work folder must be seen by all workers under one path.
    scored
        Whether to score.

    Raises
    ------
    UsageError
        When nothing in the archives counts.
    HoarlineError
        When the work folder does not take what is made, a partition fails, or no scheduler answers.
    """
    work = asked.work.resolve()
    gathered = gather(
        asked.paths,
        work,
        dated=asked.dated,
        processes=asked.processes,
        second_reader=_asks_for_doubts(asked),
        fresh=asked.fresh,
        progress=watching.gathering,
    )
    span = span_of(asked, gathered)
    wanted = [item for item in gathered.partitions if asked.only is None or asked.only.intersection(item.stations)]
    codes = {code for item in wanted for code in item.stations}
    task = _task(asked, work, span, {code: asked.stations.get(code) for code in codes}, scored=scored)
    answers = []
    watching.judging(0, len(wanted))
    for answer in over_partitions(partial(_answer, task), wanted, scheduler=scheduler, processes=asked.processes):
        answers.append(answer)
        watching.judging(len(answers), len(wanted))
    found = totals.together(answer.totals for answer in answers)
    if not found.stations:
        raise UsageError(nothing_in(asked, gathered))
    compared = [answer.comparison for answer in answers if answer.comparison is not None]
    comparison = comparisons.together(compared) if compared else None
    tallied = zip(*(answer.tallies for answer in answers), strict=True)
    scores = tuple(score(tallies_together(own), gathered) for own in tallied)
    return Replayed(asked, gathered, span, None, found, (), comparison), scores


def _asks_for_doubts(asked: Asked) -> bool:
    """Return whether a rule asks how sure a report's reading is, so that every report is read twice."""
    books = [asked.rules.book, *([asked.against.book] if asked.against is not None else [])]
    return any("doubtful" in facts_of(book.of_kind(Kind.OBSERVED)) for book in books)


def _task(asked: Asked, work: Path, span: Span, positions: Mapping[str, Station], *, scored: bool) -> _Work:
    rules, against = asked.rules, asked.against
    both = (rules,) if against is None else (rules, against)
    sides = [Side(named.name, len(named.book.rules), named.book.fingerprint, ()) for named in both]
    return _Work(
        work=work,
        books=tuple(named.book for named in both),
        policy=asked.policy,
        positions=positions,
        span=span,
        only=asked.only,
        sides=(sides[0], sides[1]) if against is not None else None,
        rules=comparisons.rule_changes(rules.book, against.book) if against is not None else None,
        scored=scored,
        fresh=asked.fresh,
    )


def _answer(task: _Work, partition: Partition) -> _Answer:
    part = _narrowed(task, partition)
    runs: list[list[StationRun]] = []
    tallies = []
    facts = task.work / _FACTS
    if task.fresh:
        stored_facts(part, task.positions, facts, fresh=True)
    for book in task.books:
        rules = book.of_kind(Kind.OBSERVED)
        judged = run_partition(part, rules=rules, positions=task.positions, policy=task.policy, kept=facts)
        runs.append(runs_of(part.reports, judged.spells, judged.changes, task.policy, task.span))
        if task.scored:
            reports = pl.scan_parquet(part.reports).select(READ)
            alerts = alerts_of_changes(judged.changes)
            tallies.append(tally(reports, alerts, subjects_of(book), policy=task.policy))
    comparison = None
    if task.sides is not None and task.rules is not None:
        now, other = task.sides
        comparison = comparisons.compare(runs[0], runs[1], now=now, other=other, rules=task.rules)
    return _Answer(totals.totals_of(runs[0]), comparison, tuple(tallies))


def _narrowed(task: _Work, partition: Partition) -> Partition:
    """Return the part of a partition that was asked for, in a file of its own; the partition where all of it was."""
    codes = [code for code in partition.stations if task.only is None or code in task.only]
    span = task.span
    if len(codes) == len(partition.stations) and span.begin is None and span.until is None:
        return partition
    parts = [content_of([partition.reports]), span.begin, span.until, *codes]
    name = hashlib.sha256("\n".join(map(repr, parts)).encode()).hexdigest()[:24]
    path = task.work / _PARTS / f"{name}.parquet"
    if path.exists() and not task.fresh:
        note_use(path)
    else:
        path.parent.mkdir(parents=True, exist_ok=True)
        heard_at = pl.coalesce("received_at", "observed_at")
        frame = pl.scan_parquet(partition.reports).filter(pl.col("station").is_in(codes))
        if span.begin is not None:
            frame = frame.filter(heard_at >= span.begin)
        if span.until is not None:
            frame = frame.filter(heard_at < span.until)
        write_frame(path, frame.collect())
    return replace(partition, reports=path, forecasts=None, stations=tuple(codes))
