"""What an event says: the headline that stands alone, why, and the next step, as known at that time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from watcher.alerts import next_steps
from watcher.alerts.episodes import is_cancelled, is_earlier
from watcher.alerts.habit_words import silence_now
from watcher.alerts.habits import Habits
from watcher.alerts.latest import facts_of
from watcher.alerts.model import Episode, EventBody, EventType, StationView
from watcher.outlook.model import Odds
from watcher.reports.model import Forecast, Observation
from watcher.rulebook.facts import Facts
from watcher.rulebook.findings import find
from watcher.rulebook.model import Rule
from watcher.rulebook.words import Certainty, Kind, Level, NoTime
from watcher.units import clock_z, duration_text, percent


@dataclass(frozen=True, slots=True)
class Scene:
    """What is at hand when an event is written: the station, the facts of the report, the flag's rules, the time.

    `habits`: what the station usually does, None where that is not known or does not matter.
    """

    view: StationView
    facts: Facts | None
    rules: tuple[Rule, ...]
    fingerprint: str
    now: datetime
    habits: Habits | None = None

    @property
    def observation(self) -> Observation | None:
        """The station's latest report."""
        return self.view.observation

    @property
    def forecast(self) -> Forecast | None:
        """The station's TAF."""
        return self.view.taf


@dataclass(frozen=True, slots=True)
class Before:
    """How an episode stood before its event. None: it was not open, or a holdover time existed.

    `told_from`: from when it was expected by the event before; None: it was not.
    """

    level: Level | None = None
    no_time: NoTime | None = None
    told_from: datetime | None = None


_ENDINGS = frozenset({EventType.CLOSED, EventType.WITHDRAWN})


def episode_body(episode: Episode, event: EventType, before: Before, scene: Scene) -> EventBody:
    """Return what an episode's event says."""
    observation, forecast, taken = scene.observation, scene.forecast, episode.in_hand
    return EventBody(
        station=episode.station,
        name=scene.view.station.name,
        zone=scene.view.station.zone,
        headline=_headline(episode, event, before, scene),
        why=_why(episode, event, scene),
        next_step=_next_step(episode, event, scene),
        flag=episode.flag,
        level=episode.level,
        previous_level=before.level if before.level is not episode.level else None,
        no_time=episode.no_time,
        kind=episode.kind,
        phase=episode.phase,
        certainty=episode.certainty,
        begins_at=episode.began_at,
        until=episode.ended_at if event in _ENDINGS else episode.until,
        odds=_odds(episode),
        observed_at=observation.observed_at if observation is not None else None,
        raw=observation.raw if observation is not None else None,
        forecast_raw=forecast.raw if forecast is not None and episode.kind is Kind.EXPECTED else None,
        by=taken.by if taken is not None else None,
        note=(taken.note or None) if taken is not None else None,
        rulebook=scene.fingerprint,
    )


def station_body(event: EventType, scene: Scene) -> EventBody:
    """Return what a station's event says: that it is blind, sees again, or is no longer watched while it is blind."""
    observation = scene.observation
    headline, why, next_step = {
        EventType.BLIND: (_blind_headline(scene), _blind_why(scene), next_steps.BLIND),
        EventType.SEEING: (_seeing_headline(scene), "A usable report has come in again.", next_steps.SEEING),
        EventType.WITHDRAWN: (
            f"{scene.view.station.code} no longer watched, blind when last seen",
            "The station was taken out of the settings.",
            next_steps.WITHDRAWN,
        ),
    }[event]
    return EventBody(
        station=scene.view.station.code,
        name=scene.view.station.name,
        zone=scene.view.station.zone,
        headline=headline,
        why=why,
        next_step=next_step,
        begins_at=scene.view.state.blind_since,
        observed_at=observation.observed_at if observation is not None else None,
        raw=observation.raw if observation is not None else None,
        rulebook=scene.fingerprint,
    )


def _next_step(episode: Episode, event: EventType, scene: Scene) -> str:
    if event is EventType.TAKEN and episode.taken is not None:
        return f"{episode.taken.by} has it in hand; ask there before you arrange anything for the same aircraft."
    if event is EventType.WITHDRAWN:
        return next_steps.CANCELLED if _is_cancelled(episode, scene) else next_steps.WITHDRAWN
    if event is EventType.CLOSED:
        if episode.kind is Kind.EXPECTED and _is_observed_now(episode, scene):
            return next_steps.CAME_TRUE
        return next_steps.ENDED if episode.kind is Kind.OBSERVED else next_steps.NOT_EXPECTED
    return next_steps.next_step(episode.flag, episode.level, episode.kind, episode.no_time)


def _headline(episode: Episode, event: EventType, before: Before, scene: Scene) -> str:
    what = _what(episode, scene)
    began = clock_z(episode.began_at)
    if event is EventType.WITHDRAWN:
        if _is_cancelled(episode, scene):
            return f"{episode.station} forecast cancelled, no all-clear: {what} was expected {_span(episode)}"
        return f"{episode.station} no longer watched for {what} (last level {episode.level.word})"
    if event is EventType.CLOSED:
        if episode.kind is Kind.OBSERVED:
            return f"{episode.station} ended: {what}, since {began}, settled {clock_z(scene.now)}"
        if _is_observed_now(episode, scene):
            return f"{episode.station} is observed now: {what}, was expected {_span(episode)}"
        return f"{episode.station} no longer expected: {what}, was {_span(episode)}"
    if event is EventType.TAKEN and episode.taken is not None:
        span = f"expected {_span(episode)}" if episode.kind is Kind.EXPECTED else f"since {began}"
        return f"{episode.station} {episode.level.word} taken in hand by {episode.taken.by}: {what} {span}"
    change = _change(episode, before, scene.now)
    if episode.kind is Kind.EXPECTED:
        return f"{episode.station} {episode.level.word} expected{change}: {what} {_when_expected(episode)}"
    confirmed = " as expected" if event is EventType.CONFIRMED else ""
    values = _temperatures(scene.observation)
    return f"{episode.station} {episode.level.word}{change}: {what} since {began}{confirmed}{values}, not ended"


def _change(episode: Episode, before: Before, now: datetime) -> str:
    """Return what is no longer as it was: the level; at the same level what is left without a time, and when."""
    if before.level is not None and before.level is not episode.level:
        return f" (was {before.level.word})"
    changes = []
    if before.no_time is not None and episode.no_time is not None and before.no_time is not episode.no_time:
        changes.append(f"{_LEFT[episode.no_time]}; was: {_LEFT[before.no_time]}")
    if before.told_from is not None and is_earlier(before.told_from, episode.began_at, now):
        changes.append(f"from {clock_z(episode.began_at)}, was {clock_z(before.told_from)}")
    return f" ({'; '.join(changes)})" if changes else ""


_LEFT = {
    NoTime.NONE: "no take-off on the tables",
    NoTime.SPECIAL: "only under special approval",
    NoTime.ALLOWANCE: "an allowance time may exist",
}


def _is_cancelled(episode: Episode, scene: Scene) -> bool:
    return is_cancelled(episode, scene.forecast, scene.now)


def _is_observed_now(episode: Episode, scene: Scene) -> bool:
    """Return whether an open episode of the same flag already tells what this one expected."""
    return any(
        other.flag is episode.flag and other.kind is Kind.OBSERVED and other.level >= episode.level
        for other in scene.view.episodes
        if other.opened_at is not None
    )


def _what(episode: Episode, scene: Scene) -> str:
    """Return what the leading rule is about, as its own text says it."""
    leading = _leading_rule(episode, scene)
    text = leading.text if leading is not None else episode.flag.value.replace("-", " ")
    first, rest = text[:1], text[1:]
    return text if rest[:1].isupper() or rest[:1].isdigit() else first.lower() + rest


def _leading_rule(episode: Episode, scene: Scene) -> Rule | None:
    """Return the rule of the episode's level that it rests on."""
    resting = {hold.rule for hold in episode.holds} if episode.kind is Kind.OBSERVED else set()
    resting = resting or {item.rule for item in episode.expected}
    candidates = [rule for rule in scene.rules if rule.name in resting] or list(scene.rules)
    at_level = [rule for rule in candidates if rule.level is episode.level]
    return next(iter(at_level or candidates), None)


def _when_expected(episode: Episode) -> str:
    """Return the period and how sure it is: the TAF's own words, or how likely it is by the frost forecast."""
    odds = _odds(episode)
    if odds is None:
        certainty = f", {episode.certainty.value}" if episode.certainty is not None else ""
        return f"{_span(episode)}{certainty}"
    between = ""
    if odds.begins_between is not None:
        first, last = odds.begins_between
        between = f" ({clock_z(first)}-{clock_z(last)})"
    until = ""
    if episode.until is not None:
        until = f" to after {clock_z(episode.until)}" if odds.goes_on else f" to about {clock_z(episode.until)}"
    return f"from about {clock_z(episode.began_at)}{between}{until}, {percent(odds.probability)}"


def _odds(episode: Episode) -> Odds | None:
    """Return how likely an expected episode is where it was computed; None where a TAF says it in words."""
    if episode.kind is not Kind.EXPECTED or episode.certainty is not Certainty.COMPUTED:
        return None
    computed = sorted((item for item in episode.expected if item.odds is not None), key=lambda item: item.begins_at)
    odds = [item.odds for item in computed if item.odds is not None]
    if not odds:
        return None
    return Odds(
        probability=max(item.probability for item in odds),
        begins_between=next((item.begins_between for item in odds if item.begins_between is not None), None),
        ends_between=next((item.ends_between for item in reversed(odds) if item.ends_between is not None), None),
        goes_on=any(item.goes_on for item in odds),
    )


def _span(episode: Episode) -> str:
    until = clock_z(episode.until) if episode.until is not None else "?"
    return f"{clock_z(episode.began_at)}-{until}"


def _temperatures(observation: Observation | None) -> str:
    """Return temperature and dew point as a crew would say them: -2/-3."""
    if observation is None or observation.temp_c is None:
        return ""
    dew = f"/{round(observation.dew_point_c)}" if observation.dew_point_c is not None else ""
    return f", {round(observation.temp_c)}{dew}"


def _why(episode: Episode, event: EventType, scene: Scene) -> str:
    if event is EventType.WITHDRAWN:
        if _is_cancelled(episode, scene) and scene.forecast is not None:
            issued = clock_z(scene.forecast.issued_at)
            return f"The TAF was cancelled at {issued}: no forecast says any more whether it comes or not."
        return "The station or the rule behind this is no longer in force."
    if event is EventType.CLOSED:
        return _why_closed(episode, scene)
    if episode.kind is Kind.EXPECTED:
        return _why_expected(episode)
    leading = _leading_rule(episode, scene)
    facts = scene.facts if scene.facts is not None else facts_of(scene.view, scene.now)
    if leading is None or facts is None:
        return "See the report."
    return find(leading, facts, Kind.OBSERVED, held=event is not EventType.OPENED).why


def _why_expected(episode: Episode) -> str:
    leading = [item for item in episode.expected if item.level is episode.level]
    first = min(leading or episode.expected, key=lambda item: item.begins_at, default=None)
    return first.why if first is not None else "The TAF says so."


def _why_closed(episode: Episode, scene: Scene) -> str:
    if episode.kind is Kind.EXPECTED:
        if _is_observed_now(episode, scene):
            return "It came true: the open alert of the same flag tells the rest."
        if episode.until is not None and episode.ended_at is not None and episode.ended_at >= episode.until:
            return "The expected period has passed without being reported."
        return "The latest TAF and reports no longer give it."
    return _why_over(episode, scene.observation)


def _why_over(episode: Episode, observation: Observation | None) -> str:
    """Return since when no report has met the rule; without it where a rule does not wait, or was taken out."""
    missed = [hold.missed_since for hold in episode.holds if hold.confirmed]
    since = max((moment for moment in missed if moment is not None), default=None)
    if since is None or None in missed or observation is None or observation.observed_at <= since:
        return "No rule that it rested on holds any more: it counts as over."
    lasted = duration_text(observation.observed_at - since)
    return f"No report from {clock_z(since)} on has met the rule: after {lasted} it counts as over."


def _blind_headline(scene: Scene) -> str:
    state = scene.view.state
    last = f"since {clock_z(state.last_report_at)}" if state.last_report_at is not None else "at all yet"
    usual = f" (usual every {duration_text(timedelta(minutes=state.cadence_min))})" if state.cadence_min else ""
    worst = max((episode.level for episode in scene.view.episodes if episode.opened_at is not None), default=None)
    level = f"; last level {worst.word}" if worst is not None else ""
    silence = silence_now(scene.habits, scene.now)
    silent = f"; usually silent {silence}" if silence is not None else ""
    return f"{state.station} blind: no usable report {last}{usual}{silent}{level}"


def _seeing_headline(scene: Scene) -> str:
    state = scene.view.state
    at = clock_z(state.last_report_at) if state.last_report_at is not None else "?"
    return f"{state.station} seeing again: report {at}{_temperatures(scene.observation)}"


def _blind_why(scene: Scene) -> str:
    last = scene.view.state.last_report_at
    if last is None:
        return "No usable report has come in since the station is watched."
    silence = silence_now(scene.habits, scene.now)
    habit = (
        f" On the last {scene.habits.days} days on which it reported it was silent {silence}: that is its habit, and "
        "says nothing of ice."
        if silence is not None and scene.habits is not None
        else ""
    )
    age = duration_text(scene.now - last)
    return f"The newest usable report is {age} old.{habit} Nothing ends because reports are missing."
