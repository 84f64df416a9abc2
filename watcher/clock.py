"""The only place where the time of day is read. Pure packages take `now` as an argument instead."""

from __future__ import annotations

from datetime import UTC, datetime


def utc_now() -> datetime:
    """Return the present as an aware UTC time."""
    return datetime.now(UTC)
