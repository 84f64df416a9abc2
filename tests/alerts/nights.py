"""Nights made by hand: what the frost forecast says, hour by hour."""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from datetime import datetime, timedelta

from watcher.outlook.night.model import Night, PartNight, Steps, Times

HALF_AN_HOUR = timedelta(minutes=30)


def a_night(
    begins_at: datetime,
    frost: Sequence[float],
    deposit: Sequence[float] | None = None,
    *,
    observed_at: datetime | None,
    onset: Times | None = None,
    end: Times | None = None,
) -> Night:
    """Return a night of half hours with these chances of active frost and of a deposit."""
    deposit = deposit if deposit is not None else [0.0] * len(frost)
    times = tuple(begins_at + number * HALF_AN_HOUR for number in range(len(frost)))
    part = array("d")
    for p, q in zip(frost, deposit, strict=True):
        part.extend((p, q, 0.0, 0.0, -5.0, -3.0, -1.0))
    air = array("d", (-1.0, 0.0, 1.0, -2.5, -2.0, -1.5) * len(frost))
    ends_at = begins_at + len(frost) * HALF_AN_HOUR
    wing = PartNight(
        "dry_bay", max(frost), deposit[-1], 0.0, 0.0, onset, end, None, None, None, Steps(times, part, air)
    )
    return Night("XNOR", begins_at, ends_at, 200, (wing,), "dry_bay", onset, end, max(frost), (), observed_at, None)
