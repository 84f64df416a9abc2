"""What a report is about, beside its scores: the archive and its faults, the rules, what would have been told."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import version

from watcher.replay.archives.sources import Fault, name_of
from watcher.replay.comparison.model import Comparison
from watcher.replay.gathering.model import Counts
from watcher.replay.messages import MessageLoad
from watcher.replay.rehearsal.totals import Totals
from watcher.replay.report_page.words import grouped
from watcher.replay.run.caveats import caveats
from watcher.replay.run.whole import Replayed


@dataclass(frozen=True, slots=True)
class ReportFacts:
    """What a report is about.

    `credit`: whose data these are and under which licence, as the user says; None: not said. `command`: what was typed.
    `versions`: of what computed it, by name. `faults`: the first of them; `fault_counts`: all, by file and kind.
    """

    command: str
    made_at: datetime
    paths: tuple[str, ...]
    credit: str | None
    rules: str
    rules_count: int
    fingerprint: str
    versions: Mapping[str, str]
    begins_at: datetime
    ends_at: datetime
    counts: Counts
    faults: tuple[Fault, ...]
    fault_counts: Mapping[tuple[str, str], int]
    totals: Totals
    loads: tuple[MessageLoad, ...]
    caveats: tuple[str, ...]
    comparison: Comparison | None = None


def facts_of(replayed: Replayed, *, command: str, made_at: datetime) -> ReportFacts:
    """Return what a report of a replay is about.

    Parameters
    ----------
    replayed
        The replay.
    command
        What was typed, so that somebody else can do it again.
    made_at
        The present.
    """
    asked, gathered = replayed.asked, replayed.gathered
    return ReportFacts(
        command=command,
        made_at=made_at,
        paths=tuple(map(name_of, asked.paths)),
        credit=asked.credit,
        rules=asked.rules.name,
        rules_count=len(asked.rules.book.rules),
        fingerprint=asked.rules.book.fingerprint,
        versions={name: version(name) for name in ("hoarline", "polars", "numpy")},
        begins_at=replayed.begins_at,
        ends_at=replayed.ends_at,
        counts=gathered.counts,
        faults=gathered.faults,
        fault_counts=gathered.fault_counts,
        totals=replayed.totals,
        loads=replayed.loads,
        caveats=tuple(caveats(replayed, grouped)),
        comparison=replayed.comparison,
    )
