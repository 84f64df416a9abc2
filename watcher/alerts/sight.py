"""Whether a station is seeing or blind, and the cadence of reports that says so."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from itertools import pairwise
from statistics import median

from watcher.alerts.model import Policy, StationState
from watcher.reports.model import Observation
from watcher.rulebook.history import Moment

# Common practice, no source: routine reports come every 20, 30 or 60 minutes, three-hourly at the slowest.
_SHORTEST_MIN, _LONGEST_MIN = 10.0, 180.0
_GAPS_NEEDED = 3
# ICAO Annex 3: routine reports hourly, or half-hourly by agreement (memory).
_LONGEST_BY_HABIT = timedelta(minutes=60)
# Feeds are asked once a minute and turns are taken every half minute; the rest is common practice, no source.
_SLACK = timedelta(minutes=5)


def is_usable(observation: Observation) -> bool:
    """Return whether a report says anything of ice: its temperature, or its weather, or that there is none.

    Where it gives no weather, sight and sky tell that somebody or something looked.
    """
    if observation.nil:
        return False
    if observation.temp_c is not None or observation.weather:
        return True
    sees = observation.weather_observable and not observation.remarks.present_weather_sensor_off
    has_sky = bool(observation.clouds) or observation.cavok or observation.vertical_visibility_ft is not None
    return sees and (observation.visibility_m is not None or has_sky)


def learned_cadence_min(history: Sequence[Moment]) -> float | None:
    """Return the usual minutes between routine reports, None before four of them are known."""
    times = [moment.observed_at for moment in history if moment.routine]
    gaps = [(later - earlier).total_seconds() / 60 for earlier, later in pairwise(times)]
    gaps = [gap for gap in gaps if gap >= _SHORTEST_MIN]
    if len(gaps) < _GAPS_NEEDED:
        return None
    return min(median(gaps), _LONGEST_MIN)


def usual_gap(state: StationState, policy: Policy) -> timedelta:
    """Return the time between reports that the station is held to.

    It is what the last reports teach, or what usually follows a report of that hour: a station that reports half-hourly
    by day and hourly by night is not called blind each evening, and is called so in time each morning. A habit makes
    nobody wait longer than an hour, or than the last reports would; one of not reporting makes nobody wait at all.
    """
    learned = policy.first_cadence if state.cadence_min is None else timedelta(minutes=state.cadence_min)
    habits = policy.habits.get(state.station)
    usual = habits.gap_after(state.last_report_at) if habits is not None and state.last_report_at is not None else None
    if usual is None or usual > timedelta(minutes=_LONGEST_MIN):
        return learned
    return min(usual, max(learned, _LONGEST_BY_HABIT))


def margin(station: str, policy: Policy) -> timedelta:
    """Return what is added to the usual gap: half of the set margin to twice of it, as late as its reports usually are.

    All but one of a hundred reports come within the 99th percentile: waiting for less would call a station blind
    every other day that is only late.
    """
    habits = policy.habits.get(station)
    if habits is None or not habits.known or habits.late_p99_min is None:
        return policy.blind_margin
    wanted = timedelta(minutes=habits.late_p99_min) + _SLACK
    return min(max(wanted, policy.blind_margin / 2), policy.blind_margin * 2)


def patience(state: StationState, policy: Policy) -> timedelta:
    """Return how old the newest usable report may be before the station is blind."""
    return usual_gap(state, policy) + margin(state.station, policy)


def is_blind(state: StationState, policy: Policy, now: datetime) -> bool:
    """Return whether no usable report is recent enough to say what the station's weather is."""
    since = state.last_report_at or state.watched_since
    return since is not None and now - since > patience(state, policy)
