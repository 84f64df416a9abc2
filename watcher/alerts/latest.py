"""What a station's latest report says at a later time."""

from __future__ import annotations

from datetime import datetime

from watcher.alerts.model import StationView
from watcher.reports.model import Observation
from watcher.rulebook.facts import Facts
from watcher.rulebook.observed import observed_facts


def facts_of(view: StationView, now: datetime) -> Facts | None:
    """Return the facts of a station's latest report at this time; None without a report."""
    observation = view.latest.decoded if view.latest is not None else None
    if not isinstance(observation, Observation):
        return None
    before = tuple(moment for moment in view.history if moment.observed_at < observation.observed_at)
    return observed_facts(observation, station=view.station, history=before, now=now)
