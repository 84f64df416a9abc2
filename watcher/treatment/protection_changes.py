"""A protection moves on: by a report, by what the crew sees, by time alone; and what of it must be told at once."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal

from watcher.reports.model import Observation
from watcher.reports.station import Station
from watcher.treatment.clocks import Answers, Clocks, clocks, whole_minutes_to
from watcher.treatment.protection import (
    LONGEST,
    Announced,
    Ending,
    Protection,
    Standing,
    ended,
    with_entry,
    with_report,
)
from watcher.treatment.protection_steps import next_step
from watcher.treatment.protection_weather import Entered
from watcher.treatment.tables import Tables

Kind = Literal["shortened", "lost"]

# How far a protection has gone. What cannot be told (blind, unknown, out of season) moves nothing.
_COURSE = {
    Standing.NO_LIMIT: 0,
    Standing.RUNNING: 1,
    Standing.ALLOWANCE: 2,
    Standing.OVER: 3,
    Standing.SPECIAL: 4,
    Standing.NONE: 5,
}
# From here on the holdover time is lost.
_LOST_FROM = _COURSE[Standing.ALLOWANCE]


@dataclass(frozen=True, slots=True)
class Change:
    """What must be told at once.

    Parameters
    ----------
    kind
        shortened: the clock ends earlier. lost: it ran out, or no holdover time exists any more.
    before
        What was made known until now; None: nothing that could be told.
    clocks
        How it stands now.
    minutes_before, minutes_after
        Whole minutes from now to the end that was known, and to the one that counts now; None: no limit was known, or
        no time exists.
    next_step
        What comes next.
    """

    kind: Kind
    before: Announced | None
    clocks: Clocks
    minutes_before: int | None
    minutes_after: int | None
    next_step: str


def begin(protection: Protection, tables: Tables | Answers, now: datetime) -> Protection:
    """Return a new protection whose first reading is known to whoever began it, and so is told to nobody."""
    return _announcing(protection, clocks(protection, tables, now))


def advance(
    protection: Protection,
    news: Observation | Entered | None,
    station: Station,
    tables: Tables | Answers,
    now: datetime,
) -> tuple[Protection, Change | None]:
    """Return a protection after a report, an entry or (None) time alone, and what must be told of it.

    Parameters
    ----------
    protection
        As it stands.
    news
        A METAR or SPECI of any age, or what the crew sees. Neither ever lengthens a clock.
    station
        Where it is.
    tables
        The tables there are, or kept answers of them. Those out of season give no minutes unless the protection is for
        training.
    now
        Aware UTC.

    Returns
    -------
    tuple
        The protection, and the change: told once, until it becomes worse again. A protection that has lasted 12 hours
        ends.
    """
    if not protection.live:
        return protection, None
    if now - protection.started_at >= LONGEST:
        return ended(protection, Ending.EXPIRED, now), None
    if isinstance(news, Observation):
        protection = with_report(protection, news, station)
    elif news is not None:
        protection = with_entry(protection, news)
    reading = clocks(protection, tables, now)
    kind = _kind(protection.announced, reading)
    after = _announcing(protection, reading)
    if kind is None:
        return after, None
    return after, _change(protection, kind, reading)


def _kind(before: Announced | None, reading: Clocks) -> Kind | None:
    course = _COURSE.get(reading.standing)
    if course is None:
        return None
    known = _COURSE.get(before.standing) if before is not None else None
    if course >= _LOST_FROM and (known is None or course > known):
        return "lost"
    if known is None or before is None or course >= _COURSE[Standing.OVER] or reading.ends_at is None:
        return None
    if known == _COURSE[Standing.NO_LIMIT] or (before.ends_at is not None and reading.ends_at < before.ends_at):
        return "shortened"
    return None


def _announcing(protection: Protection, reading: Clocks) -> Protection:
    """Return a protection whose worst so far is known; what cannot be told now leaves it as it was."""
    before = protection.announced
    course = _COURSE.get(reading.standing)
    known = _COURSE.get(before.standing) if before is not None else None
    if course is None:
        after = before or Announced(reading.standing, None)
    elif known is None or before is None or course > known:
        after = Announced(reading.standing, reading.ends_at)
    else:
        ends = [each for each in (before.ends_at, reading.ends_at) if each is not None]
        after = Announced(before.standing, min(ends, default=None))
    return protection if after == before else replace(protection, announced=after)


def _change(protection: Protection, kind: Kind, reading: Clocks) -> Change:
    before = protection.announced
    return Change(
        kind=kind,
        before=before,
        clocks=reading,
        minutes_before=whole_minutes_to(before.ends_at if before is not None else None, reading.at),
        minutes_after=whole_minutes_to(reading.ends_at, reading.at),
        next_step=next_step(protection, reading),
    )
