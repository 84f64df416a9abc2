"""Whether a station is seeing or blind, and the cadence of reports that says so."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from itertools import pairwise
from statistics import median

from watcher.alerts.model import Policy, StationState
from watcher.rulebook.history import Moment

# Common practice, no source: routine reports come every 20, 30 or 60 minutes, three-hourly at the slowest.
_SHORTEST_MIN, _LONGEST_MIN = 10.0, 180.0
_GAPS_NEEDED = 3


def learned_cadence_min(history: Sequence[Moment]) -> float | None:
    """Return the usual minutes between routine reports, None before four of them are known."""
    times = [moment.observed_at for moment in history if moment.routine]
    gaps = [(later - earlier).total_seconds() / 60 for earlier, later in pairwise(times)]
    gaps = [gap for gap in gaps if gap >= _SHORTEST_MIN]
    if len(gaps) < _GAPS_NEEDED:
        return None
    return min(median(gaps), _LONGEST_MIN)


def usual_gap(state: StationState, policy: Policy) -> timedelta:
    """Return the time between reports that the station is held to."""
    if state.cadence_min is None:
        return policy.first_cadence
    return timedelta(minutes=state.cadence_min)


def is_blind(state: StationState, policy: Policy, now: datetime) -> bool:
    """Return whether no usable report is recent enough to say what the station's weather is."""
    since = state.last_report_at or state.watched_since
    return since is not None and now - since > usual_gap(state, policy) + policy.blind_margin
