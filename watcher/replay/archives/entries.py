"""The report texts of a block, each with its line and with what stands beside it."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from datetime import datetime
from typing import NamedTuple

from watcher.replay.archives.dates import Dated

# The most faults of one block that are kept in words; all are counted.
KEPT_FAULTS = 1000


class Entry(NamedTuple):
    """One report text. `line`: of the file. `near`: a time not far from its own, None: it cannot be dated.

    `or_near`: a time from which it may as well be, since only a month is known and it stands at that month's edge.
    """

    line: int
    text: str
    kind: str | None
    near: datetime | None
    received_at: datetime | None = None
    or_near: datetime | None = None


def entry_of(  # noqa: PLR0917 - called for every report
    line: int, text: str, kind: str | None, near: datetime | None, dated: Dated, received_at: datetime | None = None
) -> Entry:
    """Return an entry: of the time that stands beside it, or else as what is known of the file dates it."""
    if near is not None:
        return Entry(line, text, kind, near, received_at)
    first, second, *_ = (*dated.times_of(text), None, None)
    return Entry(line, text, kind, first, received_at, second)


# What a cell or a field may call a report.
KINDS = frozenset({"METAR", "SPECI", "TAF"})


@dataclass(slots=True)
class Notes:
    """What a reader saw of a block beside its entries.

    `lines`: lines, rows or objects. `rejected`: those in which a report should stand and none does. `joined`: reports
    that begin on a line on which another one began. `faults`: (line, kind, what).
    """

    lines: int = 0
    blank: int = 0
    headings: int = 0
    continued: int = 0
    joined: int = 0
    rejected: int = 0
    faults: list[tuple[int | None, str, str]] = field(default_factory=list)
    fault_counts: Counter[str] = field(default_factory=Counter)

    def fault(self, line: int | None, kind: str, what: str) -> None:
        """Count a fault; keep it in words while there are few."""
        self.fault_counts[kind] += 1
        if len(self.faults) < KEPT_FAULTS:
            self.faults.append((line, kind, what))

    def reject(self, line: int, what: str) -> None:
        """Count a line, row or object that holds no report."""
        self.rejected += 1
        self.fault(line, "row", what)
