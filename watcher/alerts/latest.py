"""What a station's latest report says at a later time, and what is asked about the night with it."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from watcher.alerts.model import StationView
from watcher.outlook.computed import computed_values
from watcher.outlook.night.model import Night, NightQuestion
from watcher.rulebook.facts import Facts
from watcher.rulebook.history import Moment
from watcher.rulebook.observed import observed_facts

# An older report says nothing of the frost to come. Common practice, no source.
OLDEST = timedelta(hours=6)


def facts_of(view: StationView, now: datetime) -> Facts | None:
    """Return the facts of a station's latest report at this time, the frost forecast's among them; None without one."""
    observation = view.observation
    if observation is None:
        return None
    facts = observed_facts(observation, station=view.station, history=_before(view), now=now)
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
    return NightQuestion(
        station=view.station, latest=view.observation, history=_before(view), forecast=view.taf, now=now, until=until
    )


def without_ended_taf(question: NightQuestion) -> NightQuestion:
    """Return the question without a TAF that has ended: it says nothing of the night ahead."""
    forecast = question.forecast
    ended = forecast is not None and forecast.ends_at is not None and forecast.ends_at <= question.now
    return replace(question, forecast=None) if ended else question


def _before(view: StationView) -> tuple[Moment, ...]:
    """Return the past of a station before its latest report."""
    latest = view.observation
    return tuple(moment for moment in view.history if latest is None or moment.observed_at < latest.observed_at)
