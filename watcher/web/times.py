"""A time as templates show it: Z first, local second, and whole for programs that read the page."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from watcher.units import clock_z, duration_text, iso_z


@dataclass(frozen=True, slots=True)
class Shown:
    """One time. `z`: ``0550Z``; `local`: ``06:50``, empty where no zone is known; `iso`: with its day.

    `epoch_ms`: milliseconds since 1970, for scripts.
    """

    z: str
    local: str
    iso: str
    epoch_ms: int


def shown_at(at: datetime, zone: str | None) -> Shown:
    """Return a time for a template; `zone`: IANA, of the station."""
    local = "" if zone is None else f"{at.astimezone(ZoneInfo(zone)):%H:%M}"
    return Shown(clock_z(at), local, iso_z(at), int(at.timestamp() * 1000))


def from_now(at: datetime, now: datetime) -> str:
    """Return how far off a time is: ``in 12 min``, ``5 min ago``, ``now``."""
    gap = at - now
    if abs(gap) < timedelta(minutes=1):
        return "now"
    return f"in {duration_text(gap)}" if gap > timedelta(0) else f"{duration_text(-gap)} ago"
