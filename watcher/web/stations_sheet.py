"""All that the page of a station shows, gathered from the turn, the store, the rules and the tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from markupsafe import Markup

from watcher.alerts.habit_words import habit_sentences
from watcher.alerts.model import Episode, Policy, StationView
from watcher.alerts.sight import patience
from watcher.links import FeedLinks
from watcher.notify.wording import plain, when
from watcher.pictures.band import band_of
from watcher.pictures.labels import chance, degrees
from watcher.pictures.outlook_plot import ahead_of, outlook_picture
from watcher.pictures.outlook_values import Reading, readings_of
from watcher.pictures.sheet import pair
from watcher.rulebook.words import Kind
from watcher.service.look import Look, look, unreadable_lately, with_unreadable
from watcher.service.look_words import why_apart
from watcher.store.model import EpisodesAsked
from watcher.units import clock_z, duration_text, percent
from watcher.web.house import House
from watcher.web.rest.station_rows import told_episodes
from watcher.web.stations_head import (
    AlertShown,
    StepShown,
    alert_shown,
    blindness,
    headline_of,
    now_level,
    place_of,
    steps_of,
)
from watcher.web.stations_holdover import HoldoverShown, holdover_shown
from watcher.web.stations_report import (
    PeriodShown,
    Received,
    Text,
    Unread,
    forecast_text,
    observation_text,
    periods_of,
    received,
    unread,
)
from watcher.web.stations_rules import FactShown, RuleShown, facts_shown, rules_shown
from watcher.web.times import Shown, shown_at

_WIDE_PX, _NARROW_PX = 1000, 344
_LISTED, _BAND, _ENDED = timedelta(hours=12), timedelta(hours=14), timedelta(hours=24)
_MOST_REPORTS, _MOST_ENDED, _MOST_UNREADABLE = 200, 100, 500
# Common practice, no source: a smaller chance has no time worth naming.
_WORTH_SAYING = 0.05


@dataclass(frozen=True, slots=True)
class HourShown:
    """One line of the table behind the picture. `day`: where a day begins, else ""."""

    day: str
    at: Shown
    ahead: bool
    origin: str
    air: str
    frost_point: str
    skin: str
    frost: str
    weather: str
    level: str


@dataclass(frozen=True, slots=True)
class Sheet:
    """The page.

    `mark`: a level's word, ``blind`` or ``none``. `expected`: the worst alert is only expected; `now_level`: what is
    observed then, or "". `headline`: of the worst, without station and level, which stand above it.
    `habits`: what the station usually does, a sentence each.
    `age`: of the report. `frost`, `skin`: one sentence each from the frost forecast, or "".
    """

    code: str
    name: str
    place: str
    mark: str
    expected: bool
    now_level: str
    headline: str
    why: str
    steps: tuple[StepShown, ...]
    blind: str
    age: str
    picture: Markup
    hours: tuple[HourShown, ...]
    frost: str
    skin: str
    report: Text | None
    forecast: Text | None
    periods: tuple[PeriodShown, ...]
    first_facts: tuple[FactShown, ...]
    other_facts: tuple[FactShown, ...]
    rules: tuple[RuleShown, ...]
    open_alerts: tuple[AlertShown, ...]
    ended_alerts: tuple[AlertShown, ...]
    holdover: HoldoverShown | None
    received: tuple[Received, ...]
    unread: tuple[Unread, ...]
    habits: tuple[str, ...]
    feeds: FeedLinks | None
    as_of: str


def sheet_of(house: House, view: StationView, root: str) -> Sheet:
    """Return what the page of a station shows. Asks the store, so it may block.

    Parameters
    ----------
    house
        Whose station.
    view
        It, as it stood after the last turn.
    root
        Of the addresses.
    """
    now, station = house.clock(), view.station
    zone, store = station.zone, house.store
    seen = look(view, rulebook=house.watch.rulebook, now=now)
    seen = with_unreadable(seen, unreadable_lately(store.unreadable(_MOST_UNREADABLE), now))
    told = told_episodes(view)
    events = store.events_named([f"{episode.id}.{episode.seq}" for episode in told]) if told else {}
    ended = store.told_episodes(
        EpisodesAsked(open=False, station=station.code, changed_since=now - _ENDED), _MOST_ENDED
    )
    alerts = [(episode, events.get(f"{episode.id}.{episode.seq}")) for episode in told]
    drawn, readings = _drawn(house, view, [episode for episode, _ in ended], now)
    blind_since = view.state.blind_since
    facts = facts_shown(seen.facts)
    return Sheet(
        code=station.code,
        name=plain(station.name or ""),
        place=place_of(view),
        mark="blind" if blind_since is not None else told[0].level.word if told else "none",
        expected=bool(told) and told[0].kind is Kind.EXPECTED,
        now_level=now_level(view, told),
        headline=headline_of(view, alerts),
        why=plain(alerts[0][1].body.why) if alerts and alerts[0][1] is not None else "",
        steps=steps_of(view, told),
        blind=blindness(view),
        age=duration_text(now - view.observation.observed_at) if view.observation is not None else "",
        picture=drawn,
        hours=_hours(readings, zone, now),
        frost=_frost(seen),
        skin=_skin(seen),
        report=observation_text(view.observation, zone, now) if view.observation is not None else None,
        forecast=forecast_text(view.taf, zone, now) if view.taf is not None else None,
        periods=periods_of(view.taf, zone),
        first_facts=facts[0],
        other_facts=facts[1],
        rules=rules_shown(seen.findings, seen.facts, view, house.watch.rulebook),
        open_alerts=tuple(alert_shown(episode, event, zone) for episode, event in alerts),
        ended_alerts=tuple(alert_shown(episode, event, zone) for episode, event in ended),
        holdover=holdover_shown(view, house.treatments.tables, now, root),
        received=received(store.reports_of(station.code, now - _LISTED, now, _MOST_REPORTS), zone, now),
        unread=unread(seen.unreadable),
        habits=_habits(view, house.watch.policy),
        feeds=house.links.feed(station.code) if house.links is not None else None,
        as_of=when(now, zone),
    )


def _habits(view: StationView, policy: Policy) -> tuple[str, ...]:
    """Return how old its report may become, and what it usually does."""
    limit = f"It is called blind once its newest report is {duration_text(patience(view.state, policy))} old."
    return limit, *habit_sentences(policy.habits.get(view.station.code))


def _drawn(
    house: House, view: StationView, ended: Sequence[Episode], now: datetime
) -> tuple[Markup, tuple[Reading, ...]]:
    past = house.store.observations_since(view.station.code, now - _BAND)
    band = band_of(view, past, ended, house.watch.policy, now, ahead=ahead_of(view.taf, now))
    wide, narrow = (
        outlook_picture(band, view.taf, zone=view.station.zone, width=width) for width in (_WIDE_PX, _NARROW_PX)
    )
    # Drawn by ourselves; texts of others are escaped in it.
    return Markup(pair(wide, narrow)), readings_of(band)  # noqa: S704


def _hours(readings: Sequence[Reading], zone: str | None, now: datetime) -> tuple[HourShown, ...]:
    found, day = [], ""
    for reading in readings:
        here = f"{reading.at.astimezone(UTC):%d %b %Y}"
        found.append(
            HourShown(
                day=here if here != day else "",
                at=shown_at(reading.at, zone),
                ahead=reading.at > now,
                origin=reading.origin,
                air=_degrees(reading.temp_c),
                frost_point=_degrees(reading.frost_point_c),
                skin=reading.skin or "-",
                frost=chance(reading.p_active_frost) if reading.p_active_frost is not None else "-",
                weather=", ".join(reading.weather) or "-",
                level=reading.level or "-",
            )
        )
        day = here
    return tuple(found)


def _degrees(value: float | None) -> str:
    return degrees(value) if value is not None else "-"


def _frost(seen: Look) -> str:
    """Return what the frost forecast says of a parked aircraft, in one sentence."""
    night = seen.night
    if night is None or night.worst is None:
        return ""
    peak = max(night.worst.steps, key=lambda step: step.p_active_frost)
    most = f", most likely at {clock_z(peak.at)}" if peak.p_active_frost >= _WORTH_SAYING else ""
    p_any = percent(night.p_any or 0.0)
    return f"Frost forms on an aircraft parked outside before {clock_z(night.ends_at)}: {p_any}{most}."


def _skin(seen: Look) -> str:
    if seen.facts is None:
        return ""
    skin = seen.facts.values.get("skin_temp_c")
    return why_apart(seen.facts, skin) if isinstance(skin, float) else ""
