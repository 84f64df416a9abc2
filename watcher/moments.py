"""Times as people write them: a time of day in Z, a full time, or so long from now."""

from __future__ import annotations

import re
from datetime import datetime, timedelta

from watcher.errors import Problem, UsageError
from watcher.units import duration_text, iso_z, parse_duration, parse_iso_z

FURTHEST = timedelta(hours=30)
_DAY = timedelta(days=1)
_CLOCK = re.compile(r"(?P<hour>[01]\d|2[0-3]):?(?P<minute>[0-5]\d)[Zz]")


def time_ahead(option: str, text: str, now: datetime) -> datetime:
    """Return a time to come: ``0540Z`` is the next one, ``6h`` so long from now, ``2026-01-12T05:40Z`` that one.

    Raises
    ------
    UsageError
        No time, a past one, or one more than 30 hours ahead.
    """
    moment = _next_clock(text, now) or _after(text, now) or _full(option, text, "0540Z, 2026-01-12T05:40Z or 6h")
    if not now < moment <= now + FURTHEST:
        how = "is not ahead" if moment <= now else f"is {duration_text(moment - now)} ahead"
        remedy = f"a time after {iso_z(now)}, at most {duration_text(FURTHEST)} ahead"
        raise UsageError([Problem(option, f'"{text}" {how}', remedy)])
    return moment


def time_about(option: str, text: str, now: datetime, until: datetime) -> datetime:
    """Return a time past or to come: ``0300Z`` is the next one before the departure, else the last one.

    Raises
    ------
    UsageError
        No time, one after the departure, or one more than 30 hours ago.
    """
    moment = _next_clock(text, now) or _full(option, text, "0300Z or 2026-01-12T03:00Z")
    if moment > until and _CLOCK.fullmatch(text):
        moment -= _DAY
    if not now - FURTHEST <= moment <= until:
        how = "is after the departure" if moment > until else f"is {duration_text(now - moment)} ago"
        raise UsageError([Problem(option, f'"{text}" {how}', f"a time from {iso_z(now - FURTHEST)} to {iso_z(until)}")])
    return moment


def time_before(option: str, text: str, now: datetime) -> datetime:
    """Return a time that has passed: ``0512Z`` is the last one, ``2026-01-12T05:12Z`` that one.

    Raises
    ------
    UsageError
        No time, one to come, or one more than 30 hours ago.
    """
    ahead = _next_clock(text, now)
    moment = ahead - _DAY if ahead is not None else _full(option, text, "0512Z or 2026-01-12T05:12Z")
    if not now - FURTHEST <= moment <= now:
        how = "is yet to come" if moment > now else f"is {duration_text(now - moment)} ago"
        raise UsageError([Problem(option, f'"{text}" {how}', f"a time from {iso_z(now - FURTHEST)} to {iso_z(now)}")])
    return moment


def _next_clock(text: str, now: datetime) -> datetime | None:
    match = _CLOCK.fullmatch(text)
    if match is None:
        return None
    moment = now.replace(hour=int(match["hour"]), minute=int(match["minute"]), second=0, microsecond=0)
    return moment if moment > now else moment + _DAY


def _after(text: str, now: datetime) -> datetime | None:
    try:
        return now + parse_duration(text)
    except (ValueError, OverflowError):
        return None


def _full(option: str, text: str, allowed: str) -> datetime:
    try:
        return parse_iso_z(text)
    except (ValueError, OverflowError) as error:
        raise UsageError([Problem(option, f'"{text}" is no time', f"write {allowed}")]) from error
