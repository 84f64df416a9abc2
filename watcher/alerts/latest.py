"""What a station's latest report says at a later time, and what is asked about the night with it."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from watcher.alerts.model import StationView
from watcher.outlook.computed import computed_values
from watcher.outlook.night.model import Night, NightQuestion
from watcher.reports.model import Forecast, Observation
from watcher.rulebook.facts import Facts
from watcher.rulebook.observed import observed_facts


def facts_of(view: StationView, now: datetime) -> Facts | None:
    """Return the facts of a station's latest report at this time, the frost forecast's among them; None without one."""
    observation = view.latest.decoded if view.latest is not None else None
    if not isinstance(observation, Observation):
        return None
    before = tuple(moment for moment in view.history if moment.observed_at < observation.observed_at)
    facts = observed_facts(observation, station=view.station, history=before, now=now)
    return with_night(facts, view.night)


def with_night(facts: Facts, night: Night | None) -> Facts:
    """Return the facts of a report with what the frost forecast says for its time.

    A forecast that rests on another report leaves them unknown: it will be computed again in a moment.
    """
    if night is None or night.observed_at != facts.reported_at:
        return facts
    return replace(facts, values={**facts.values, **computed_values(night, max(facts.at, night.begins_at))})


def question_of(view: StationView, now: datetime, until: datetime) -> NightQuestion:
    """Return the question about an aircraft of which nothing is known but its station."""
    latest = view.latest.decoded if view.latest is not None else None
    forecast = view.forecast.decoded if view.forecast is not None else None
    observation = latest if isinstance(latest, Observation) else None
    before = tuple(
        moment for moment in view.history if observation is None or moment.observed_at < observation.observed_at
    )
    return NightQuestion(
        station=view.station,
        latest=observation,
        history=before,
        forecast=forecast if isinstance(forecast, Forecast) else None,
        now=now,
        until=until,
    )
