"""Local wall time and the instants it stands for, through nights on which the clocks change.

The wall clock of a zone may jump: forwards, so that some times are never read (a whole day at Apia in 2011), or back,
so that some are read twice. Zones are IANA names and taken as valid; any other raises what `ZoneInfo` raises:
ZoneInfoNotFoundError (a KeyError) for a name that is not known, ValueError or OSError for text that cannot be one.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from watcher.alerts.subscribers import Hours

_DAY = timedelta(days=1)
_SECOND = timedelta(seconds=1)
_MIDNIGHT = time()
# A wall clock is at most a day away from UTC, and a change of the clocks may skip or repeat at most one day more.
_MARGIN = timedelta(days=3)

Span = tuple[datetime, datetime]


def instant(day: date, wall: time, zone: str, *, last: bool = False) -> datetime:
    """Return the UTC instant at which the wall clock first reads this time, or later, on that day.

    A time that the clock skips has the instant of the change. `last`: where the clocks go back, the second pass.
    Raises OverflowError at the very ends of the calendar (years 1 and 9999).
    """
    return _passes(day, wall, zone)[last]


def within(hours: Hours | None, now: datetime) -> bool:
    """Return whether it is inside the hours; None means always.

    The hours of a day are one unbroken interval from the first instant that reads `begin` to the last that reads
    `end`: the beginning belongs to them, the end does not. So a change of the clocks makes no hole and no second
    beginning, and hours that the clock skips as a whole do not occur that day. Equal beginning and end mean the whole
    day.
    """
    if hours is None or hours.begin == hours.end:
        return True
    return any(begin <= now < end for begin, end in _spans_near(hours, now.astimezone(UTC).date()))


def edges(hours: Hours, begin: datetime, end: datetime) -> tuple[datetime, ...]:
    """Return every instant after `begin`, up to and with `end`, at which `within` turns true or false, in order."""
    if hours.begin == hours.end:
        return ()
    spans = _spans(hours, begin.astimezone(UTC).date(), end.astimezone(UTC).date())
    return tuple(edge for span in spans for edge in span if begin < edge <= end)


def latest(times: Sequence[time], zone: str, now: datetime) -> datetime | None:
    """Return the newest scheduled instant at or before now, None without times.

    Each wall time is scheduled once for each local day: on its first pass where the clock reads it twice, at the
    change where the clock skips it. A day that is skipped as a whole has no schedule, since nobody lives through it.
    Times that fall on one instant are one.
    """
    if not times:
        return None
    schedule = _schedule(tuple(times), zone, now.astimezone(UTC).date())
    return schedule[bisect_right(schedule, now) - 1]


def following(times: Sequence[time], zone: str, now: datetime) -> datetime | None:
    """Return the first scheduled instant after now, None without times; scheduled as for `latest`."""
    if not times:
        return None
    schedule = _schedule(tuple(times), zone, now.astimezone(UTC).date())
    return schedule[bisect_right(schedule, now)]


@lru_cache(maxsize=8192)
def _passes(day: date, wall: time, zone: str) -> Span:
    """Return the first and the last instant of a wall time; both are the change where the clock skips it."""
    local = datetime.combine(day, wall, ZoneInfo(zone))
    first = local.replace(fold=0).astimezone(UTC)
    last = local.replace(fold=1).astimezone(UTC)
    if first > last:
        change = _change(last, first, local)
        return change, change
    return first, last


def _change(before: datetime, after: datetime, local: datetime) -> datetime:
    """Return when a clock jumps over the time `local`, which it has not read at `before` and has passed at `after`.

    Clocks change on a whole second of UTC, so halving the time between finds the change exactly.
    """
    early = before.replace(microsecond=0)
    reached = local.replace(tzinfo=None)
    low, high = 0, (after - early) // _SECOND
    while high - low > 1:
        middle = (low + high) // 2
        reads = (early + middle * _SECOND).astimezone(local.tzinfo).replace(tzinfo=None)
        low, high = (low, middle) if reads >= reached else (middle, high)
    return early + high * _SECOND


@lru_cache(maxsize=16384)
def _spans_near(hours: Hours, day: date) -> tuple[Span, ...]:
    """Return the spans of the hours that touch a day of UTC."""
    midnight = datetime.combine(day, _MIDNIGHT, UTC)
    return tuple(span for span in _spans(hours, day, day) if span[0] < midnight + _DAY and span[1] > midnight)


def _spans(hours: Hours, first: date, last: date) -> tuple[Span, ...]:
    """Return the spans of the hours on and around the days of UTC, in order, without those that overlap or touch."""
    length = _DAY if hours.begin > hours.end else timedelta()
    joined: list[Span] = []
    for day in _days(first - _MARGIN, last + _MARGIN):
        begin = instant(day, hours.begin, hours.zone)
        end = instant(day + length, hours.end, hours.zone, last=True)
        if begin == end:
            continue
        if joined and begin <= joined[-1][1]:
            begin, _ = joined.pop()
        joined.append((begin, end))
    return tuple(joined)


@lru_cache(maxsize=4096)
def _schedule(times: tuple[time, ...], zone: str, day: date) -> tuple[datetime, ...]:
    """Return the instants of the wall times on the local days around a day of UTC, in order."""
    lived = [near for near in _days(day - _MARGIN, day + _MARGIN + _DAY) if not _is_skipped(near, zone)]
    return tuple(sorted({instant(near, wall, zone) for near in lived for wall in times}))


def _is_skipped(day: date, zone: str) -> bool:
    return instant(day, _MIDNIGHT, zone) == instant(day + _DAY, _MIDNIGHT, zone)


def _days(first: date, last: date) -> Iterable[date]:
    return (first + count * _DAY for count in range((last - first).days + 1))
