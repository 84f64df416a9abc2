"""One line for each station in the list that programs read: how it stands, and what comes next there."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from pydantic import BaseModel, Field

from watcher.alerts import next_steps
from watcher.alerts.model import Episode, Event, StationView
from watcher.notify.message import age_min
from watcher.notify.wording import plain
from watcher.rulebook.words import Kind, Level
from watcher.units import iso_z
from watcher.web.rest.fields import FlagWord, KindWord, LevelWord, NoTimeWord, PhaseWord, Share, Time


class AlertBody(BaseModel):
    """One open alert of a station, in short."""

    episode: str
    flag: FlagWord
    level: LevelWord
    no_time: NoTimeWord | None
    kind: KindWord
    certainty: str | None
    phase: PhaseWord
    begins_at: Time = Field(alias="from")
    until: Time | None
    headline: str | None
    next_step: str
    in_hand: str | None = Field(description="Who has it in hand at its present level; null: nobody.")


class StationBody(BaseModel):
    """How a station stands."""

    station: str
    name: str | None
    country: str | None
    zone: str | None
    latitude_deg: float | None
    longitude_deg: float | None
    elevation_m: float | None
    level: LevelWord | None = Field(description="The highest of what is observed; null: nothing is.")
    expected_level: LevelWord | None = Field(description="The highest of what is expected; null: nothing is.")
    phase: PhaseWord | None = Field(description="Of the worst alert.")
    blind: bool = Field(description="No usable report says what the weather is; what stood open then still does.")
    blind_since: Time | None
    observed_at: Time | None
    report_age_min: int | None
    temp_c: float | None
    dew_point_c: float | None
    raw: str | None
    forecast_issued_at: Time | None
    p_frost: Share | None = Field(
        description="Of a parked aircraft in the hours to come, its worst part; null: not computed."
    )
    next_step: str | None = Field(description="For the worst of it; null: nothing is to be done.")
    alerts: list[AlertBody] = Field(description="The open ones, the worst first, at one level what is observed first.")


def told_episodes(view: StationView) -> list[Episode]:
    """Return the open episodes that were told, the worst first, at one level what is observed before the rest."""
    told = [episode for episode in view.episodes if episode.opened_at is not None]
    return sorted(told, key=lambda item: (-item.level, item.kind is not Kind.OBSERVED, item.number))


def level_of(view: StationView, kind: Kind) -> Level | None:
    """Return the highest level of a station's open alerts of one kind."""
    return max((episode.level for episode in told_episodes(view) if episode.kind is kind), default=None)


def station_row(view: StationView, events: Mapping[str, Event], now: datetime) -> dict[str, object]:
    """Return the line of a station.

    Parameters
    ----------
    view
        As it stood after the last turn.
    events
        The last ones of its open episodes, by name, for their headlines.
    now
        The present.
    """
    station, seen, forecast = view.station, view.observation, view.taf
    told = told_episodes(view)
    blind_since = view.state.blind_since
    return {
        "station": station.code,
        "name": station.name,
        "country": station.country,
        "zone": station.zone,
        "latitude_deg": station.latitude_deg,
        "longitude_deg": station.longitude_deg,
        "elevation_m": station.elevation_m,
        "level": _word(level_of(view, Kind.OBSERVED)),
        "expected_level": _word(level_of(view, Kind.EXPECTED)),
        "phase": told[0].phase.value if told else None,
        "blind": blind_since is not None,
        "blind_since": _iso(blind_since),
        "observed_at": _iso(seen.observed_at) if seen is not None else None,
        "report_age_min": age_min(seen.observed_at, now) if seen is not None else None,
        "temp_c": seen.temp_c if seen is not None else None,
        "dew_point_c": seen.dew_point_c if seen is not None else None,
        "raw": plain(seen.raw) if seen is not None else None,
        "forecast_issued_at": _iso(forecast.issued_at) if forecast is not None else None,
        "p_frost": round(view.night.p_any, 3) if view.night is not None and view.night.p_any is not None else None,
        "next_step": _next_step(told, blind=blind_since is not None),
        "alerts": [_alert(episode, events.get(f"{episode.id}.{episode.seq}")) for episode in told],
    }


def _alert(episode: Episode, event: Event | None) -> dict[str, object]:
    taken = episode.in_hand
    return {
        "episode": episode.id,
        "flag": episode.flag.value,
        "level": episode.level.word,
        "no_time": episode.no_time.value if episode.no_time is not None else None,
        "kind": episode.kind.value,
        "certainty": episode.certainty.value if episode.certainty is not None else None,
        "phase": episode.phase.value,
        "from": iso_z(episode.began_at),
        "until": _iso(episode.until),
        "headline": plain(event.body.headline) if event is not None else None,
        "next_step": _step_of(episode),
        "in_hand": plain(taken.by) if taken is not None else None,
    }


def _next_step(told: list[Episode], *, blind: bool) -> str | None:
    if blind:
        return next_steps.BLIND
    return _step_of(told[0]) if told else None


def _step_of(episode: Episode) -> str:
    return next_steps.next_step(episode.flag, episode.level, episode.kind, episode.no_time)


def _word(level: Level | None) -> str | None:
    return level.word if level is not None else None


def _iso(moment: datetime | None) -> str | None:
    return iso_z(moment) if moment is not None else None
