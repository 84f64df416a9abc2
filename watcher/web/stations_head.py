"""What the page of a station leads with: how it stands, since when and why, what to do, and each of its alerts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from watcher.alerts import next_steps
from watcher.alerts.model import Episode, Event, StationView
from watcher.notify.message import part_of
from watcher.notify.wording import plain, when
from watcher.rulebook.words import Kind
from watcher.service.night_words import first_upper
from watcher.units import clock_z
from watcher.web.rest.station_rows import level_of

_CALM = "Nothing is open here. Keep an eye on the next reports."
_NO_REPORT = "No report has come in yet, so nothing can be told. Check the station by other means."


@dataclass(frozen=True, slots=True)
class StepShown:
    """What to do, and what for."""

    label: str
    said: str


@dataclass(frozen=True, slots=True)
class AlertShown:
    """One open or ended alert. `state`: its phase; what is only expected has none to speak of."""

    id: str
    level: str
    state: str
    headline: str
    why: str
    span: str
    hand: str


def place_of(view: StationView) -> str:
    """Return where the station is: country, position and elevation, as far as they are known."""
    station, said = view.station, []
    if station.country:
        said.append(plain(station.country))
    if station.latitude_deg is not None and station.longitude_deg is not None:
        north, east = "N" if station.latitude_deg >= 0 else "S", "E" if station.longitude_deg >= 0 else "W"
        said.append(f"{abs(station.latitude_deg):.2f}° {north} {abs(station.longitude_deg):.2f}° {east}")
    else:
        said.append("position not known, so neither sun nor frost is computed")
    if station.elevation_m is not None:
        said.append(f"{station.elevation_m:.0f} m")
    if station.zone is not None:
        said.append(station.zone)
    return ", ".join(said)


def headline_of(view: StationView, alerts: Sequence[tuple[Episode, Event | None]]) -> str:
    """Return what the newest event of the worst alert says, without station and level, which stand above it."""
    if not alerts:
        return "No alert is open." if view.observation is not None else "No report yet."
    episode, event = alerts[0]
    if event is None:
        return f"{episode.flag.value} since {clock_z(episode.began_at)}"
    beginning, _, rest = plain(event.body.headline).partition(": ")
    return first_upper(rest) if rest and beginning.startswith(view.station.code) else plain(event.body.headline)


def now_level(view: StationView, told: Sequence[Episode]) -> str:
    """Return what is observed where something worse is only expected, or where nobody sees what is."""
    observed = level_of(view, Kind.OBSERVED)
    worst_is_now = bool(told) and told[0].kind is Kind.OBSERVED and view.state.blind_since is None
    return "" if observed is None or worst_is_now else observed.word


def steps_of(view: StationView, told: Sequence[Episode]) -> tuple[StepShown, ...]:
    """Return what to do: for what is there, and before it for what is worse and only expected."""
    if view.state.blind_since is not None:
        return (StepShown("Next step", next_steps.BLIND),)
    if not told:
        return (StepShown("Next step", _CALM if view.observation is not None else _NO_REPORT),)
    observed = next((episode for episode in told if episode.kind is Kind.OBSERVED), None)
    worst = told[0]
    if worst is observed or observed is None:
        return (StepShown("Next step", _step(worst)),)
    until = clock_z(worst.until) if worst.until is not None else "an open end"
    ahead = StepShown(f"For {clock_z(worst.began_at)} to {until}", _step(worst))
    return StepShown("Next step now", _step(observed)), ahead


def _step(episode: Episode) -> str:
    return next_steps.next_step(episode.flag, episode.level, episode.kind, episode.no_time)


def blindness(view: StationView) -> str:
    """Return since when nobody sees the station; "" while somebody does."""
    since, last = view.state.blind_since, view.state.last_report_at
    if since is None:
        return ""
    zone = view.station.zone
    after = f"no usable report after {when(last, zone)}" if last is not None else "no usable report has come in"
    return f"Blind since {clock_z(since)}: {after}. What stood open then still does."


def alert_shown(episode: Episode, event: Event | None, zone: str | None) -> AlertShown:
    """Return an alert with what its last event says; `event`: None where that is no longer kept."""
    expected = episode.kind is Kind.EXPECTED and episode.ended_at is None
    taken = episode.in_hand
    part = part_of(event, event.at) if event is not None else None
    until = episode.ended_at or (episode.until if expected else None)
    span = f"{when(episode.began_at, zone)} to {when(until, zone) if until is not None else 'now, not ended'}"
    return AlertShown(
        id=episode.id,
        level=episode.level.word,
        state="expected" if expected else episode.phase.value,
        headline=part.headline if part is not None else episode.flag.value,
        why=part.body.why if part is not None else "",
        span=span,
        hand=plain(taken.by) if taken is not None and episode.ended_at is None else "",
    )
