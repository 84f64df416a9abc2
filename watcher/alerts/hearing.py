"""Hearing reports: which of them becomes a station's latest word, and which is only kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from watcher.alerts.latest import with_night
from watcher.alerts.sight import is_usable, learned_cadence_min
from watcher.alerts.turn import Turn
from watcher.reports.identity import is_made_from_xml
from watcher.reports.model import Forecast, Observation, Report
from watcher.rulebook.observed import moment_of, observed_facts

_HISTORY = timedelta(hours=12)
# A clock at a station may run a little ahead; a report from further ahead would hide every true one after it.
AHEAD = timedelta(minutes=30)


def observations_in_order(reports: Sequence[Report]) -> list[Report]:
    """Return the observations by time; at equal times a correction comes last, then a text, then the latest received.

    A text made from XML has lost what its station remarked, such as ice on the sensor: the text itself goes before it.
    """
    observations = [report for report in reports if isinstance(report.decoded, Observation)]
    return sorted(observations, key=_rank)


def _rank(report: Report) -> tuple[datetime, bool, bool, datetime, str]:
    observation = report.decoded
    assert isinstance(observation, Observation)
    is_text = not is_made_from_xml(observation.raw)
    return observation.observed_at, observation.correction is not None, is_text, report.received_at, report.text_hash


def take_forecasts(turn: Turn, reports: Sequence[Report]) -> None:
    """Keep every forecast; the newest comes into force."""
    for report in reports:
        forecast = report.decoded
        if not isinstance(forecast, Forecast) or forecast.nil:
            continue
        known = turn.view.forecast
        if known is not None and not _is_newer(report, known):
            if report.text_hash != known.text_hash:
                turn.reports.append(report)
            continue
        turn.reports.append(report)
        turn.view = replace(turn.view, forecast=report, expectations=None)


def _is_newer(report: Report, known: Report) -> bool:
    if report.text_hash == known.text_hash:
        return False
    assert isinstance(report.decoded, Forecast)
    assert isinstance(known.decoded, Forecast)
    if report.decoded.issued_at != known.decoded.issued_at:
        return report.decoded.issued_at > known.decoded.issued_at
    was_text, is_text = (not is_made_from_xml(each.decoded.raw) for each in (known, report))
    if was_text is not is_text and _marks(report.decoded) == _marks(known.decoded):
        return is_text
    return report.received_at >= known.received_at


def _marks(forecast: Forecast) -> tuple[bool, bool, bool]:
    return forecast.amendment, forecast.correction, forecast.cancelled


def take_observation(turn: Turn, report: Report) -> bool:
    """Keep a report; return whether it is now the station's latest word."""
    observation = report.decoded
    assert isinstance(observation, Observation)
    latest = turn.view.latest
    same_time = latest is not None and observed_at(latest) == observation.observed_at
    if latest is not None and same_time and report.text_hash in (latest.text_hash, *turn.view.replaced):
        return False
    turn.reports.append(report)
    if observation.nil or observation.observed_at > turn.now + AHEAD:
        return False
    if latest is not None and observation.observed_at < observed_at(latest):
        return False
    replaced: tuple[str, ...] = ()
    if latest is not None and same_time:
        if _rank(report) < _rank(latest):
            turn.superseded.append((report.text_hash, latest.text_hash))
            turn.view = replace(turn.view, replaced=(*turn.view.replaced, report.text_hash))
            return False
        turn.superseded.append((latest.text_hash, report.text_hash))
        replaced = (*turn.view.replaced, latest.text_hash)
    _make_latest(turn, report, replaced)
    return True


def _make_latest(turn: Turn, report: Report, replaced: tuple[str, ...]) -> None:
    observation = report.decoded
    assert isinstance(observation, Observation)
    history = tuple(
        moment
        for moment in turn.view.history
        if turn.now - moment.observed_at <= _HISTORY and moment.observed_at < observation.observed_at
    )
    # The facts of a report are made from what came before it.
    facts = observed_facts(observation, station=turn.view.station, history=history, now=turn.now)
    turn.facts = with_night(facts, turn.view.night)
    history = (*history, moment_of(observation))
    turn.view = replace(turn.view, latest=report, history=history, replaced=replaced, expectations=None)
    turn.remember(cadence_min=learned_cadence_min(history) or turn.state.cadence_min)
    if is_usable(observation):
        turn.remember(last_report_at=observation.observed_at)


def observed_at(report: Report) -> datetime:
    """Return when an observation was made."""
    assert isinstance(report.decoded, Observation)
    return report.decoded.observed_at
