"""What two rulebooks make of the same archive: the values of a comparison."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from watcher.replay.messages import MessageLoad
from watcher.rulebook.words import Flag, Kind, Level


class Change(StrEnum):
    """What became of a stretch of alerts under the other rules."""

    NEW = "new"
    GONE = "gone"
    RAISED = "raised"
    LOWERED = "lowered"
    SHIFTED = "shifted"


@dataclass(frozen=True, slots=True)
class Stretch:
    """What one rulebook opened of one flag at one station in one go: episodes that meet or overlap.

    `kinds`: how they stood. `level`: the worst; `reached_at`: when it was reached first. `ended_at`: None while open at
    the end of the archive. `episodes`: their ids. `rules`: those that they rested on.
    """

    level: Level
    kinds: frozenset[Kind]
    opened_at: datetime
    reached_at: datetime
    ended_at: datetime | None
    episodes: tuple[str, ...]
    rules: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Difference:
    """One flag at one station where two rulebooks differ. `now`: by the rules in force; `other`: by the other ones."""

    station: str
    flag: Flag
    change: Change
    now: Stretch | None
    other: Stretch | None

    @property
    def at(self) -> datetime:
        """When it begins by either."""
        return min(side.opened_at for side in (self.now, self.other) if side is not None)

    @property
    def level(self) -> Level:
        """The worst level by either."""
        return max(side.level for side in (self.now, self.other) if side is not None)

    @property
    def opens_later_by(self) -> timedelta | None:
        """How much later the other rules open it; negative: earlier. None where one of them does not."""
        return self.other.opened_at - self.now.opened_at if self.now is not None and self.other is not None else None

    @property
    def ends_later_by(self) -> timedelta | None:
        """How much later it ends by the other rules; None where one does not open it, or leaves it open."""
        if self.now is None or self.other is None or self.now.ended_at is None or self.other.ended_at is None:
            return None
        return self.other.ended_at - self.now.ended_at


@dataclass(frozen=True, slots=True)
class Row:
    """The differences of one flag, or of one station. `same`: stretches in which nothing differs."""

    now: int
    other: int
    same: int
    changes: Mapping[Change, int]


@dataclass(frozen=True, slots=True)
class RuleChanges:
    """The names of the rules that only the other rulebook has, that only this one has, and that say something else."""

    added: tuple[str, ...]
    removed: tuple[str, ...]
    edited: tuple[str, ...]

    @property
    def any(self) -> bool:
        """Whether any does."""
        return bool(self.added or self.removed or self.edited)


@dataclass(frozen=True, slots=True)
class Side:
    """One of the two rulebooks. `name`: the folder or file it was read from."""

    name: str
    rules: int
    fingerprint: str
    loads: tuple[MessageLoad, ...]


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two rulebooks over the same archive. `now`: the rules in force; `other`: those that they are held against.

    `totals`: all stretches. `differences`: by time, the worst first where there are too many to list; `left_out`: how
    many are counted and not listed.
    """

    now: Side
    other: Side
    rules: RuleChanges
    totals: Row
    by_flag: Mapping[Flag, Row]
    by_station: Mapping[str, Row]
    differences: tuple[Difference, ...]
    left_out: int
