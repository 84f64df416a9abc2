"""On how much of an archive a result rests: the part of its reports that could be read, and whether files are whole."""

from __future__ import annotations

from dataclasses import dataclass

from watcher.replay.gathering.model import Gathered

# Faults after which nobody knows how much of a file is missing; the others are counted report by report.
_LOST = frozenset({"file", "form", "packing"})


@dataclass(frozen=True, slots=True)
class Share:
    """How much of an archive was read.

    `taken`: reports and forecasts, repeats among them. `left`: those that could not be read or dated. `lost`: files of
    which a part that nobody can count is missing.
    """

    taken: int
    left: int
    lost: tuple[str, ...]

    @property
    def whole(self) -> bool:
        """Whether every file was read to its end."""
        return not self.lost

    @property
    def read(self) -> float:
        """The part that was read of what was found, 0 to 1."""
        found = self.taken + self.left
        return self.taken / found if found else 0.0


def share_of(gathered: Gathered) -> Share:
    """Return on how much of its archives a run rests."""
    counts = gathered.counts
    return Share(
        taken=counts.reports + counts.forecasts + counts.duplicates,
        left=counts.unreadable + counts.undated + counts.rejected,
        lost=tuple(sorted({file for file, kind in gathered.fault_counts if kind in _LOST})),
    )
