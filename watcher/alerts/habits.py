"""What a station usually does: when it reports and how often, how late its reports come, when it is automatic.

Learned from reports alone, by hour of the day in UTC. A habit changes when blindness is said and with which words. It
never says that there is nothing to see: a station that is usually silent at night is as blind then as any other.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from itertools import pairwise

# A whole week, so that each weekday is in it: a station that closes on Sundays would seem irregular, or never closed.
# What did not happen on any of 7 days happens on up to 35 % of days (1 - 0.05**(1/7), the bound at 95 %): a habit, and
# no promise. The store keeps 7 days unless told otherwise.
DAYS_NEEDED = 7
# The 99th percentile of fewer is the largest of them.
LATENESS_NEEDED = 100
# Reports of one observation, such as a correction, come closer together; what is longer than a day is a hole.
SHORTEST_GAP = timedelta(minutes=10)
LONGEST_GAP = timedelta(days=1)
# What came later was brought by an archive or after a standstill of ours, and says nothing of the station.
LATEST = timedelta(hours=3)
_DAY = timedelta(days=1)
_USUAL_SHARE = 0.8


@dataclass(frozen=True, slots=True)
class Heard:
    """One report as it was heard. `received_at` None: not known. `routine`: a METAR."""

    observed_at: datetime
    received_at: datetime | None
    auto: bool
    routine: bool


@dataclass(frozen=True, slots=True)
class Hour:
    """One hour of the day, UTC.

    `reported`: on how many of the days a report was made in it. `gap_min`: in nine of ten cases the next routine report
    after one of this hour was made within so many minutes; None before seven cases. `auto`: share of its reports that
    were automatic; None where there are none.
    """

    reported: int = 0
    gap_min: float | None = None
    auto: float | None = None


@lru_cache(maxsize=4096)
def hour_of(reported: int, gap_min: float | None, auto: float | None) -> Hour:
    """Return an hour; equal ones are one object, for most hours of thousands of stations are alike."""
    return Hour(reported, gap_min, auto)


@dataclass(frozen=True, slots=True)
class Habits:
    """What a station usually does.

    `days`: of 24 hours, on which it reported at all; `reports`: of different times. `late_p50_min`, `late_p90_min`,
    `late_p99_min`: minutes from the observation until the report came here; None before a hundred are known. `hours`:
    0 to 23 UTC.
    """

    days: int
    reports: int
    begins_at: datetime
    ends_at: datetime
    late_p50_min: float | None
    late_p90_min: float | None
    late_p99_min: float | None
    hours: tuple[Hour, ...]

    @property
    def known(self) -> bool:
        """Whether there are enough days to speak of a habit."""
        return self.days >= DAYS_NEEDED

    def gap_after(self, moment: datetime) -> timedelta | None:
        """Return how soon the next routine report usually follows one of this time; None where that is not known."""
        minutes = self.hours[moment.hour].gap_min
        return timedelta(minutes=minutes) if self.known and minutes is not None else None

    def silent_at(self, moment: datetime) -> bool:
        """Return whether it usually makes no report in the hour of this time."""
        return self.known and self.hours[moment.hour].reported == 0

    def silent_spans(self) -> tuple[tuple[int, int], ...]:
        """Return the hours without a report on any day, as (from, until): (22, 5) is from 22Z until 05Z."""
        return self._spans([self.known and hour.reported == 0 for hour in self.hours])

    def automatic_spans(self) -> tuple[tuple[int, int], ...]:
        """Return the hours in which most of its reports are automatic, as `silent_spans` does."""
        return self._spans([self.known and hour.auto is not None and hour.auto > 1 / 2 for hour in self.hours])

    def usual_spans(self) -> tuple[tuple[int, int], ...]:
        """Return the hours with a report on four of five days and more, as `silent_spans` does."""
        return self._spans([self.known and hour.reported >= _USUAL_SHARE * self.days for hour in self.hours])

    def _spans(self, are: Sequence[bool]) -> tuple[tuple[int, int], ...]:
        if all(are):
            return ((0, 24),)
        begins = [hour for hour in range(24) if are[hour] and not are[hour - 1]]
        return tuple((begin, _end(are, begin)) for begin in begins)


def learn(rows: Iterable[Heard], until: datetime) -> Habits | None:
    """Return what a station usually does; None without a report.

    Parameters
    ----------
    rows
        Its usable reports, in any order; of several of one time the first counts. What was superseded, or holds
        nothing (NIL), is not among them. All of them: a selection of its reports teaches wrong habits.
    until
        Days of 24 hours are counted back from here, a whole hour; later rows are left out. Aware UTC.
    """
    by_time: dict[datetime, Heard] = {}
    for row in rows:
        if row.observed_at < until:
            by_time.setdefault(row.observed_at, row)
    if not by_time:
        return None
    heard = [by_time[time] for time in sorted(by_time)]
    late = sorted(_lateness(heard))
    enough = len(late) >= LATENESS_NEEDED
    return Habits(
        days=len({_day(row, until) for row in heard}),
        reports=len(heard),
        begins_at=heard[0].observed_at,
        ends_at=heard[-1].observed_at,
        late_p50_min=_percentile(late, 50) if enough else None,
        late_p90_min=_percentile(late, 90) if enough else None,
        late_p99_min=_percentile(late, 99) if enough else None,
        hours=_hours(heard, until),
    )


def _hours(heard: Sequence[Heard], until: datetime) -> tuple[Hour, ...]:
    days: dict[int, set[int]] = defaultdict(set)
    autos: dict[int, list[bool]] = defaultdict(list)
    for row in heard:
        days[row.observed_at.hour].add(_day(row, until))
        autos[row.observed_at.hour].append(row.auto)
    gaps: dict[int, list[float]] = defaultdict(list)
    for earlier, later in pairwise([row.observed_at for row in heard if row.routine]):
        if SHORTEST_GAP <= later - earlier <= LONGEST_GAP:
            gaps[earlier.hour].append((later - earlier) / timedelta(minutes=1))
    return tuple(
        hour_of(
            len(days[hour]),
            _percentile(sorted(gaps[hour]), 90) if len(gaps[hour]) >= DAYS_NEEDED else None,
            sum(autos[hour]) / len(autos[hour]) if autos[hour] else None,
        )
        for hour in range(24)
    )


def _lateness(heard: Sequence[Heard]) -> list[float]:
    """Return minutes until reports came; of several that came at once the newest counts: the others waited for us."""
    newest: dict[datetime, datetime] = {}
    for row in heard:
        if row.received_at is not None:
            newest[row.received_at] = max(row.observed_at, newest.get(row.received_at, row.observed_at))
    waits = (received_at - observed_at for received_at, observed_at in newest.items())
    return [wait / timedelta(minutes=1) for wait in waits if timedelta() <= wait <= LATEST]


def _day(row: Heard, until: datetime) -> int:
    # The instant of `until` belongs to the day after: an hour of the day lies in one day only.
    return (until - row.observed_at - timedelta(microseconds=1)) // _DAY


def _percentile(ordered: Sequence[float], percent: int) -> float:
    """Return the smallest value that so many of a hundred do not exceed (the nearest rank)."""
    return ordered[(percent * len(ordered) + 99) // 100 - 1]


def _end(are: Sequence[bool], begin: int) -> int:
    hour = begin
    while are[hour % 24]:
        hour += 1
    return hour % 24
