"""What stands above the rows: how many stations are how bad, and whether all of it is still true."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from watcher.alerts.model import Event, EventType, StationView
from watcher.notify.wording import TOLD_AS_WORDS, plain
from watcher.rulebook.words import Level
from watcher.units import clock_z, duration_text
from watcher.web.board_rows import open_alerts

# When even the newest report of all is older, no feed brings anything. Common practice, no source.
NO_REPORTS_AFTER = timedelta(minutes=90)
_TICKS = 3
# However short the ticks are: a turn of thousands of stations takes its time.
_LEAST = timedelta(seconds=90)


@dataclass(frozen=True, slots=True)
class Count:
    """How many stations have a level as their worst, or are blind, or have nothing open (`word` ``quiet``)."""

    word: str
    number: int


@dataclass(frozen=True, slots=True)
class Change:
    """One of the last events. `episode`: None where it is about a station's sight."""

    at: str
    what: str
    level: str | None
    station: str
    episode: str | None
    headline: str


@dataclass(frozen=True, slots=True)
class Head:
    """What the board says of itself. `stale`: why it must not be trusted; empty while all is well.

    `newest_at`: time of the newest report of all. `turned_at`: when the stations were last judged.
    """

    now: datetime
    stations: int
    counts: tuple[Count, ...]
    newest_at: datetime | None
    turned_at: datetime
    stale: tuple[str, ...]

    @property
    def newest(self) -> str:
        """How old the newest report of all is, in words."""
        if self.newest_at is None:
            return "no report yet"
        return f"newest report {duration_text(max(timedelta(0), self.now - self.newest_at))} old"


def head_of(views: Iterable[StationView], turned_at: datetime, tick: timedelta, now: datetime) -> Head:
    """Return what stands above the rows.

    Parameters
    ----------
    views
        All stations that are watched.
    turned_at, tick
        When they were judged last, and how often that should be.
    now
        The present.
    """
    counted, newest, number = Counter[str](), None, 0
    for view in views:
        number += 1
        counted[_word(view)] += 1
        at = view.observation.observed_at if view.observation is not None else None
        newest = max(filter(None, (newest, at)), default=None)
    words = (*(level.word for level in sorted(Level, reverse=True)), "blind", "quiet")
    return Head(
        now=now,
        stations=number,
        counts=tuple(Count(word, counted[word]) for word in words),
        newest_at=newest,
        turned_at=turned_at,
        stale=tuple(_stale(number, newest, turned_at, tick, now)),
    )


def patience(tick: timedelta) -> timedelta:
    """Return how long after the last turn the board is no longer to be trusted."""
    return max(_TICKS * tick, _LEAST)


def change_of(event: Event) -> Change:
    """Return an event as the list of changes tells it."""
    body = event.body
    sight = event.type in {EventType.BLIND, EventType.SEEING}
    return Change(
        at=clock_z(event.at),
        what=TOLD_AS_WORDS[event.type],
        level=body.level.word if body.level is not None else "blind" if event.type is EventType.BLIND else None,
        station=plain(body.station),
        episode=None if sight or event.subject_id == body.station else event.subject_id,
        headline=plain(body.headline),
    )


def _word(view: StationView) -> str:
    if view.state.blind_since is not None:
        return "blind"
    alerts = open_alerts(view)
    return alerts[0].level.word if alerts else "quiet"


def _stale(number: int, newest: datetime | None, turned_at: datetime, tick: timedelta, now: datetime) -> list[str]:
    said = []
    if now - turned_at > patience(tick):
        age = duration_text(now - turned_at)
        said.append(f"Not judged since {clock_z(turned_at)}, {age} ago: levels and alerts may be out of date.")
    if number and newest is not None and now - newest > NO_REPORTS_AFTER:
        said.append(f"No station has reported since {clock_z(newest)}: the feeds bring nothing new.")
    return said
