"""The rows of the board as values: what a station's row says, and where it stands among the others."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from watcher.alerts import next_steps
from watcher.alerts.model import Episode, Event, Policy, StationView
from watcher.alerts.sight import margin, usual_gap
from watcher.notify.message import age_min
from watcher.notify.wording import plain, when
from watcher.rulebook.words import Kind, Level
from watcher.units import duration_text
from watcher.web.board_memory import BoardMemory
from watcher.web.take import Hand, hand_of

# A blind station without any alert asks for a person as much as one that asks for preparation.
_BLIND_AT_LEAST = Level.PREPARE
_NO_REPORT = "no report yet"


@dataclass(frozen=True, slots=True)
class Also:
    """Another open alert of a station. `words`: the flag, and when where it is only expected."""

    level: str
    words: str
    episode: str


@dataclass(frozen=True, slots=True)
class Row:
    """What one row says. No text in it holds a control character.

    `mark`: the shape: a level's word, ``blind``, or None where nothing is open. `level`: the word of the worst open
    alert, None without one; beside ``blind`` it is the last one known. `expected`: it is not there yet. `temps`: the
    latest temperature and dew point. `observed_at`: of the newest report. `age`: how old that is, in words; `late_s`:
    after how many seconds it is late; `late`: it is. `headline`, `next_step`: what the newest event said. `episode`:
    the alert's name. `hand`: who has it. `free`: nobody has it, and somebody should. `also`: the other open alerts,
    the worst first.
    """

    code: str
    name: str
    mark: str | None
    level: str | None
    expected: bool
    temps: str
    observed_at: datetime | None
    age: str
    late_s: int
    late: bool
    headline: str
    next_step: str | None
    episode: str | None
    hand: Hand | None
    free: bool
    also: tuple[Also, ...]

    @property
    def blind(self) -> bool:
        """Whether nobody knows how the weather there is."""
        return self.mark == "blind"


def open_alerts(view: StationView) -> list[Episode]:
    """Return a station's open alerts, what needs a person first at the beginning."""
    told = [episode for episode in view.episodes if episode.opened_at is not None]
    return sorted(told, key=lambda item: (-item.level, item.kind is Kind.EXPECTED, item.began_at))


def place(view: StationView) -> tuple[object, ...]:
    """Return what the rows are sorted by: those that need attention first, then by code.

    The worst level first; a blind station counts as its last level, and before those that are seeing. What is there
    comes before what is expected, what is expected sooner before what is later, and nobody's before what is in hand.
    """
    alerts, blind = open_alerts(view), view.state.blind_since is not None
    if not alerts:
        return (-_BLIND_AT_LEAST if blind else 0, not blind, False, 0.0, False, view.station.code)
    first = alerts[0]
    level = max(first.level, _BLIND_AT_LEAST) if blind else first.level
    expected = first.kind is Kind.EXPECTED
    begins = first.began_at.timestamp() if expected else 0.0
    return (-level, not blind, expected, begins, first.in_hand is not None, view.station.code)


def row_of(view: StationView, memory: BoardMemory, policy: Policy, now: datetime) -> Row:
    """Return a station's row."""
    alerts, blind = open_alerts(view), view.state.blind_since is not None
    first = alerts[0] if alerts else None
    event = memory.told_of(first) if first is not None else None
    hand = first.in_hand if first is not None else None
    observation = view.observation
    observed_at = observation.observed_at if observation is not None else view.state.last_report_at
    late_s = round((usual_gap(view.state, policy) + margin(view.station.code, policy) / 2).total_seconds())
    minutes = age_min(observed_at, now)
    headline, step = _said(view, first, event, memory)
    return Row(
        code=view.station.code,
        name=plain(view.station.name or ""),
        mark="blind" if blind else first.level.word if first is not None else None,
        level=first.level.word if first is not None else None,
        expected=first is not None and first.kind is Kind.EXPECTED,
        temps=_temps(view),
        observed_at=observed_at,
        age=age_words(minutes),
        late_s=late_s,
        late=minutes is None or minutes * 60 >= late_s,
        headline=headline,
        next_step=step,
        episode=first.id if first is not None else None,
        hand=hand_of(hand, view.station.zone) if hand is not None else None,
        free=first is not None and hand is None and first.level >= Level.TREAT,
        also=tuple(_also(item) for item in alerts[0 if blind else 1 :]),
    )


def age_words(minutes: int | None) -> str:
    """Return how old a report is, in words."""
    return _NO_REPORT if minutes is None else f"{duration_text(timedelta(minutes=minutes))} old"


def _said(view: StationView, first: Episode | None, event: Event | None, memory: BoardMemory) -> tuple[str, str | None]:
    """Return headline and next step; of a blind station those of its blindness, of a quiet one that it is quiet."""
    if view.state.blind_since is not None:
        sight = memory.blindness(view.station.code)
        since = f"No usable report seen; blind since {when(view.state.blind_since, None)}"
        return (without_station(sight.body.headline), sight.body.next_step) if sight else (since, next_steps.BLIND)
    if first is None:
        return "No alert open", None
    step = next_steps.next_step(first.flag, first.level, first.kind, first.no_time)
    if event is None:
        return _capital(_flag_words(first)), step
    return without_station(event.body.headline), plain(event.body.next_step)


def without_station(headline: str) -> str:
    """Return a headline without its beginning, the station and the level, which stand beside it."""
    beginning, between, rest = plain(headline).partition(": ")
    return _capital(rest if between and " " in beginning else beginning + between + rest)


def _also(item: Episode) -> Also:
    expected = f" expected {item.began_at:%H%MZ}" if item.kind is Kind.EXPECTED else ""
    return Also(item.level.word, f"{_flag_words(item)}{expected}", item.id)


def _flag_words(item: Episode) -> str:
    return item.flag.value.replace("-", " ")


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _temps(view: StationView) -> str:
    observation = view.observation
    if observation is None:
        return "- / - °C"
    return f"{_degrees(observation.temp_c)} / {_degrees(observation.dew_point_c)} °C"


def _degrees(value: float | None) -> str:
    return "-" if value is None else f"{round(value) + 0}"
