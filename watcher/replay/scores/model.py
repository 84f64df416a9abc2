"""What a replay's scores are: the archive they rest on, hours, onsets, expectations, and what cannot be scored."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from watcher.replay.scores.estimate import Estimate
from watcher.replay.scores.ratios import FourCounts
from watcher.replay.scores.reliability import Brier, CertaintyClass
from watcher.replay.scores.subjects import Subject


@dataclass(frozen=True, slots=True)
class ArchiveShare:
    """What the scores rest on, and what they do not.

    `taken`, `left`: texts that were read, and those that could not be read or dated, by `gathering.share`; None
    where the table was there already. `lost`: files of which a part that nobody can count is missing. `reports`: in the
    table; `counted`: of those, in force and with content. `watched_min`: of all stations together; `seen_min`: of that,
    in which the weather could be told.
    """

    stations: int
    begins_at: datetime | None
    ends_at: datetime | None
    taken: int | None
    left: int | None
    lost: tuple[str, ...]
    reports: int
    counted: int
    watched_min: int
    seen_min: int

    @property
    def seen_share(self) -> float | None:
        """Share of the watched time in which the weather could be told; None where no time was watched."""
        return self.seen_min / self.watched_min if self.watched_min else None

    @property
    def taken_share(self) -> float | None:
        """Share of what was found in the archives that was read; None where that is not known."""
        if self.taken is None or self.left is None or self.taken + self.left == 0:
            return None
        return self.taken / (self.taken + self.left)


@dataclass(frozen=True, slots=True)
class HourScore:
    """One subject hour by hour. `lead_h`: within how many hours the weather had to come; 0: in the latest report.

    `not_yet`: only the hours at which it was not there already. `unjudged`: hours at which nobody could tell.
    """

    subject: Subject
    lead_h: int
    not_yet: bool
    counts: FourCounts
    unjudged: int
    scores: Mapping[str, Estimate]


@dataclass(frozen=True, slots=True)
class Leads:
    """Quartiles of the minutes from the opening to the onset, of the onsets that were told ahead."""

    p25: float
    median: float
    p75: float


@dataclass(frozen=True, slots=True)
class OnsetScore:
    """One subject onset by onset.

    `ahead`: share that was told before. `with_report`: opened by the report of the onset. Of those told ahead, `leads`:
    None where there are fewer than `LEAST_CASES`; `lead_classes`: how many in each of `LEAD_CLASSES`; `by`: how many
    were first told by reports, or by which certainty of a TAF.
    """

    subject: Subject
    onsets: int
    ahead: Estimate
    with_report: int
    never: int
    leads: Leads | None
    lead_classes: tuple[int, ...]
    by: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class ExpectedScore:
    """Expected alerts of one flag, level and certainty. `came`: share of those that could be judged."""

    flag: str
    level: str
    certainty: str
    alerts: int
    came: Estimate
    in_vain: int
    not_reported: int
    taken_back: int
    not_judgeable: int


@dataclass(frozen=True, slots=True)
class BlockScore:
    """One station or month: the main level of a flag, `MAIN_LEAD_H` hours ahead, where it was not there already."""

    name: str
    flag: str
    counts: FourCounts


@dataclass(frozen=True, slots=True)
class Scores:
    """All of it.

    `drawn`: how the intervals were made, in words. `onsets_seen`, `onsets_unseen`: by phenomenon. `unproved`: alerts by
    flag that no report can prove. `expected`, `certainties`, `brier`: empty or None without TAFs.
    """

    archive: ArchiveShare
    apart_min: int
    tolerance_min: int
    drawn: str
    hours: tuple[HourScore, ...]
    onsets: tuple[OnsetScore, ...]
    onsets_seen: Mapping[str, int]
    onsets_unseen: Mapping[str, int]
    expected: tuple[ExpectedScore, ...]
    certainties: tuple[CertaintyClass, ...]
    brier: Brier | None
    unproved: Mapping[str, int]
    by_station: tuple[BlockScore, ...]
    by_month: tuple[BlockScore, ...]
