"""What gathering an archive gives: partitions, counts, faults, and how far it has come."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from watcher.replay.archives.sources import Fault


@dataclass(frozen=True, slots=True)
class Partition:
    """Whole stations: a Parquet file with the columns OBSERVED, its twin with FORECAST (None: no forecasts).

    `rows` counts the observations.
    """

    reports: Path
    forecasts: Path | None
    stations: tuple[str, ...]
    rows: int


@dataclass(frozen=True, slots=True)
class Counts:
    """What became of what was read. Nothing is left out: both sides of `balance` are the same.

    `lines`: lines, rows or objects. `joined`: texts that begin on a line on which another one began. `unreadable`:
    texts that are no report. `rejected`: rows, objects and cut lines without a text to read. `undated`: reports
    without month and year. `duplicates`: the same text of a station for the same time again. `continued`: lines that go
    on with a report. `out_of_order`: observations that stand after a later one of their station. `superseded` and
    `passed_over`: of `reports`, those not in force, and those that the live path stores without heeding.
    """

    lines: int = 0
    joined: int = 0
    reports: int = 0
    forecasts: int = 0
    unreadable: int = 0
    rejected: int = 0
    undated: int = 0
    duplicates: int = 0
    blank: int = 0
    headings: int = 0
    continued: int = 0
    out_of_order: int = 0
    superseded: int = 0
    passed_over: int = 0

    @property
    def balance(self) -> tuple[int, int]:
        """What was read, and what it became."""
        taken = self.reports + self.forecasts + self.duplicates
        left = self.unreadable + self.rejected + self.undated
        return self.lines + self.joined, taken + left + self.blank + self.headings + self.continued


@dataclass(frozen=True, slots=True)
class Gathered:
    """All that the archives held.

    `faults`: the first thousand; `fault_counts`: all of them by (file, kind). `begins_at`, `ends_at`: the first and the
    last observation, None without one.
    """

    partitions: tuple[Partition, ...]
    counts: Counts
    faults: tuple[Fault, ...] = ()
    fault_counts: Mapping[tuple[str, str], int] = field(default_factory=dict)
    begins_at: datetime | None = None
    ends_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Progress:
    """How far gathering has come. Bytes are those of the files as they lie there.

    `reports`: decoded so far, forecasts among them. `partitions_done` of `partitions` (0 while still decoding).
    """

    bytes_done: int
    bytes_total: int
    reports: int
    faults: int
    partitions_done: int = 0
    partitions: int = 0
