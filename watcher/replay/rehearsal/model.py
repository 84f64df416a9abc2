"""What a rehearsal gives: the episodes of a station as the watcher would have followed them, its events, its sight."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from watcher.alerts.model import Event
from watcher.rulebook.words import Certainty, Flag, Kind, Level


@dataclass(frozen=True, slots=True)
class Span:
    """Which time of an archive counts.

    `begin`, `until`: what is heard from the one on, and before the other; None: all. `watched_until`: to when a station
    is watched after its last report, so that it may become blind. Aware UTC.
    """

    watched_until: datetime
    begin: datetime | None = None
    until: datetime | None = None


@dataclass(frozen=True, slots=True)
class LevelStep:
    """From when on an episode stood at a level."""

    at: datetime
    level: Level


@dataclass(frozen=True, slots=True)
class PlayedEpisode:
    """One episode that opened in a rehearsal.

    `kind`: as what it opened. `level`: the worst that it reached; `steps`: each level with its time, the first at
    `opened_at`. `began_at`: when the condition began by observation, or was expected to. `confirmed_at`: when what was
    expected was reported. `came_true`: of an expected one, whether it was, by itself or in an open episode of its flag.
    `lead`: of a confirmed one, from its opening to the first report that met it. `ended_at`: None while it is open.
    `rules`: those that it rested on. `certainty`, `told_from`, `told_until`: of an expected one, as it was first told.
    """

    id: str
    station: str
    flag: Flag
    kind: Kind
    level: Level
    opened_at: datetime
    began_at: datetime
    ended_at: datetime | None = None
    confirmed_at: datetime | None = None
    came_true: bool = False
    lead: timedelta | None = None
    steps: tuple[LevelStep, ...] = ()
    rules: tuple[str, ...] = ()
    certainty: Certainty | None = None
    told_from: datetime | None = None
    told_until: datetime | None = None


@dataclass(frozen=True, slots=True)
class StationRun:
    """One station from its first report to the end of the archive.

    `reports`, `forecasts`: those that were heard. `late`: reports that were stale when they were heard, so that they
    open nothing. `unconfirmed`: episodes that formed and never opened. `blind`: how long it was blind, in so many
    `blind_spells`. `turns`: how often it was judged. None: the columns do not tell.
    """

    station: str
    begins_at: datetime
    ends_at: datetime
    reports: int
    forecasts: int
    late: int
    unconfirmed: int | None
    blind: timedelta | None
    blind_spells: int | None
    turns: int | None
    episodes: tuple[PlayedEpisode, ...]
    events: tuple[Event, ...]

    @property
    def watched(self) -> timedelta:
        """How long it was watched."""
        return self.ends_at - self.begins_at

    @property
    def seeing(self) -> timedelta | None:
        """How long it was seeing, None where that is not told."""
        return self.watched - self.blind if self.blind is not None else None
