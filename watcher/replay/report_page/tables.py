"""The tables of the report as rows of cells, each figure with what it rests on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta

from watcher.replay.archives.sources import FAULT_KINDS
from watcher.replay.comparison.model import Change, Comparison
from watcher.replay.messages import MessageLoad
from watcher.replay.rehearsal.totals import Totals
from watcher.replay.report_page.facts import ReportFacts
from watcher.replay.report_page.words import (
    NOTHING,
    Figure,
    flag_words,
    grouped,
    level_words,
    minutes_text,
    score_figure,
    share_figure,
)
from watcher.replay.scores.difference import differences
from watcher.replay.scores.model import Scores
from watcher.replay.scores.ratios import SCORES, FourCounts
from watcher.replay.scores.score import main_subjects

_TOLD_BY = {"observed": "reports"}


@dataclass(frozen=True, slots=True)
class Row:
    """One row. `head`: flag and the like; `level`: whose mark stands before it, None: none. `cells`: the figures."""

    head: Figure
    level: str | None
    cells: tuple[Figure, ...]
    first: bool = False


def onset_rows(scores: Scores) -> list[Row]:
    """Return flag by flag and level by level: onsets, told ahead, by its own report, never, lead, first told by.

    Levels of a flag whose figures are the same stand in one row.
    """
    found: list[Row] = []
    for row in scores.onsets:
        lead = row.leads
        quartiles = f"quarter under {minutes_text(lead.p25)}, quarter over {minutes_text(lead.p75)}" if lead else ""
        by = ", ".join(f"{_TOLD_BY.get(name, name)} {grouped(count)}" for name, count in row.by.items())
        cells = (
            Figure(grouped(row.onsets), ""),
            share_figure(row.ahead),
            Figure(grouped(row.with_report), ""),
            Figure(grouped(row.never), ""),
            Figure(minutes_text(lead.median) if lead else NOTHING, quartiles),
            Figure(by or NOTHING, ""),
        )
        head = Figure(flag_words(row.subject.flag), level_words(row.subject))
        last = found[-1] if found else None
        same_flag = last is not None and last.head.shown == head.shown
        if last is not None and same_flag and last.cells == cells:
            lower = last.head.beneath.removesuffix(" or worse")
            found[-1] = replace(last, head=Figure(head.shown, f"{lower}, {head.beneath}"))
        else:
            found.append(Row(head, row.subject.at_least.word, cells, first=not same_flag))
    return found


def difference_rows(now: Scores, other: Scores) -> list[Row]:
    """Return what differs by two rulebooks: told ahead, POD and FAR, each of those in force, then of the other ones."""
    found: list[Row] = []
    for item in differences(now, other):
        pairs = (item.ahead, item.pod, item.far)
        cells = tuple(share_figure(estimate) for pair in pairs for estimate in (pair.now, pair.other))
        head = Figure(flag_words(item.subject.flag), level_words(item.subject))
        first = not found or found[-1].head.shown != head.shown
        found.append(Row(head, item.subject.at_least.word, cells, first=first))
    return found


@dataclass(frozen=True, slots=True)
class HourGroup:
    """What one flag is measured by first.

    `rows`: within how many hours it came, the four counts, how many hours are not judged, the scores.
    """

    head: Figure
    rows: tuple[tuple[str, FourCounts, int, tuple[Figure, ...]], ...]


def hour_groups(scores: Scores) -> list[HourGroup]:
    """Return flag by flag the scores hour by hour, of the hours at which the weather was not there yet."""
    found = []
    for subject in main_subjects(row.subject for row in scores.hours):
        rows = tuple(
            (
                f"within {row.lead_h} h",
                row.counts,
                row.unjudged,
                tuple(score_figure(name, row.scores[name]) for name in SCORES),
            )
            for row in scores.hours
            if row.subject == subject and row.not_yet
        )
        kind = "\nprecursor" if subject.precursor else ""
        found.append(HourGroup(Figure(flag_words(subject.flag), f"{level_words(subject)}{kind}"), rows))
    return found


def expected_rows(scores: Scores) -> list[Row]:
    """Return what was told to be expected by flag, level and certainty, and what became of it."""
    found, before = [], ""
    for row in scores.expected:
        cells = (
            Figure(grouped(row.alerts), ""),
            share_figure(row.came),
            Figure(grouped(row.in_vain) if not row.not_reported else NOTHING, ""),
            Figure(grouped(row.not_reported), ""),
            Figure(grouped(row.taken_back), ""),
            Figure(grouped(row.not_judgeable), ""),
        )
        head = Figure(flag_words(row.flag), f"{row.level}, {row.certainty}")
        found.append(Row(head, row.level, cells, first=row.flag != before))
        before = row.flag
    return found


def told_rows(totals: Totals) -> list[Row]:
    """Return the alerts that would have been told, by flag and worst level."""
    found, before = [], ""
    for row in totals.flags:
        cells = (
            Figure(grouped(row.episodes), ""),
            Figure(grouped(row.observed), ""),
            Figure(grouped(row.expected), f"{grouped(row.came_true)} came true" if row.expected else ""),
            Figure(hours_text(row.open_for), ""),
        )
        head = Figure(flag_words(row.flag.value), row.level.word)
        found.append(Row(head, row.level.word, cells, first=row.flag.value != before))
        before = row.flag.value
    return found


def fault_rows(facts: ReportFacts) -> list[tuple[str, str, str]]:
    """Return file, what is wrong with it, and how often, the most frequent first."""
    ordered = sorted(facts.fault_counts.items(), key=lambda item: (-item[1], item[0]))
    return [(file, FAULT_KINDS.get(kind, kind), grouped(count)) for (file, kind), count in ordered]


def compared_rows(comparison: Comparison) -> list[Row]:
    """Return flag by flag how two rulebooks differ."""
    found = []
    for flag, row in comparison.by_flag.items():
        counts = (row.now, row.other, row.same, *(row.changes.get(change, 0) for change in Change))
        found.append(Row(Figure(flag_words(flag.value), ""), None, tuple(Figure(grouped(n), "") for n in counts)))
    totals = comparison.totals
    counts = (totals.now, totals.other, totals.same, *(totals.changes.get(change, 0) for change in Change))
    found.append(Row(Figure("all", ""), None, tuple(Figure(grouped(n), "") for n in counts), first=True))
    return found


def load_rows(loads: Sequence[MessageLoad], others: Mapping[str, MessageLoad]) -> list[Row]:
    """Return what each destination would have got, beside what it would get by the other rules where they are asked."""
    found = []
    for load in loads:
        day, other = load.busiest_day, others.get(load.destination)
        cells = [
            Figure(grouped(load.messages), f"of {grouped(load.alerts)} alerts told"),
            Figure(f"{load.a_day:.1f}", ""),
            Figure(grouped(load.at_night), "22-06 local"),
            Figure(grouped(day[1]), f"{day[0]:%-d %b %Y}") if day is not None else Figure(NOTHING, ""),
        ]
        if others:
            less = "" if other is None else f"{other.messages - load.messages:+d}"
            cells.append(Figure(NOTHING if other is None else grouped(other.messages), less))
        found.append(Row(Figure(load.destination, load.zone), None, tuple(cells)))
    return found


def hours_text(duration: timedelta) -> str:
    """Return a long duration in whole hours: ``1 204 h``."""
    return f"{grouped(round(duration / timedelta(hours=1)))} h"
