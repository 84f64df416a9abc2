"""Exact unit conversions, durations, time zones by name, and the two ways a time is written.

Factors are exact by definition: the international foot (0.3048 m, 1959 agreement), the statute mile (5280 ft),
the nautical mile (1852 m, 1929 conference) and the inch of mercury at 0 C (33.8639 hPa, ICAO Doc 8400 use).
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

METRES_PER_FOOT = 0.3048
METRES_PER_STATUTE_MILE = 1609.344
KILOMETRES_PER_NAUTICAL_MILE = 1.852
KNOTS_PER_METRE_PER_SECOND = 3600 / 1852
KNOTS_PER_KILOMETRE_PER_HOUR = 1000 / 1852
HECTOPASCALS_PER_INCH_OF_MERCURY = 33.8639

_DURATION = re.compile(r"(?P<count>\d+(?:\.\d+)?)\s*(?P<unit>ms|s|min|m|h|d)")
_SECONDS = {"ms": 0.001, "s": 1, "m": 60, "min": 60, "h": 3600, "d": 86400}


def parse_duration(text: str) -> timedelta:
    """Return the duration that a person wrote, such as ``60s``, ``10m``, ``1h`` or ``1h 30m``.

    Raises
    ------
    ValueError
        When the text is not one or more counts with the unit ms, s, m (or min), h or d.
    """
    matches = list(_DURATION.finditer(text))
    if not matches or re.sub(r"\s+", "", text) != re.sub(r"\s+", "", "".join(m[0] for m in matches)):
        message = f'"{text}" is no duration; write for example 60s, 10m, 1h 30m'
        raise ValueError(message)
    return timedelta(seconds=sum(float(m["count"]) * _SECONDS[m["unit"]] for m in matches))


def duration_text(duration: timedelta) -> str:
    """Return a duration for people: ``45 s``, ``12 min``, ``3 h 05 min``, ``2 d 4 h``."""
    seconds = round(duration.total_seconds())
    sign = "-" if seconds < 0 else ""
    seconds = abs(seconds)
    if seconds < 60:
        return f"{sign}{seconds} s"
    minutes = seconds // 60
    if minutes < 60:
        return f"{sign}{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{sign}{hours} h {minutes:02d} min" if minutes else f"{sign}{hours} h"
    days, hours = divmod(hours, 24)
    return f"{sign}{days} d {hours} h" if hours else f"{sign}{days} d"


def iso_z(moment: datetime) -> str:
    """Return an aware time as ``2026-01-12T05:50:00Z``, the form of every contract; fractions are dropped."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def parse_iso_z(text: str) -> datetime:
    """Return the aware UTC time of an ISO 8601 text; a text without zone is refused with ValueError."""
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        message = f'"{text}" has no zone; write for example 2026-01-12T05:50:00Z'
        raise ValueError(message)
    return moment.astimezone(UTC)


def clock_z(moment: datetime) -> str:
    """Return the time of day as the trade writes it: ``0550Z``."""
    utc = moment.astimezone(UTC)
    return f"{utc.hour:02d}{utc.minute:02d}Z"


def percent(probability: float) -> str:
    """Return a probability for people: ``78 %``; an ensemble is never certain: ``under 1 %``, ``over 99 %``."""
    rounded = round(100 * probability)
    if rounded <= 0:
        return "under 1 %"
    return "over 99 %" if rounded >= 100 else f"{rounded} %"


def zone_named(name: str | None) -> ZoneInfo | None:
    """Return a time zone, None where there is none of that name."""
    try:
        return ZoneInfo(name) if name is not None else None
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return None
