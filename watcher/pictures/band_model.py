"""The values of a timeband: what one station was, is and is expected to be, over a day and a quarter."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from watcher.rulebook.words import Certainty, Flag, Kind, Level

BEHIND = timedelta(hours=12)
AHEAD = timedelta(hours=18)
# Drawn beyond both ends, so that a strip can be shown for an hour before it must be drawn again.
MARGIN = timedelta(hours=1)


class Source(StrEnum):
    """What an expected point was taken from."""

    NIGHT = "night"
    TAF = "taf"


@dataclass(frozen=True, slots=True)
class Point:
    """One report's temperatures in °C. None: not reported."""

    at: datetime
    temp_c: float | None
    frost_point_c: float | None


@dataclass(frozen=True, slots=True)
class ExpectedPoint:
    """One time ahead.

    `temp_c`, `frost_point_c`: the middle of what is expected, in °C. `skin_low_c`, `skin_high_c`: 10 and 90 % of the
    skin of the worst part. `p_active_frost`: 0 to 1. None: not known.
    """

    at: datetime
    temp_c: float
    frost_point_c: float | None
    source: Source
    skin_low_c: float | None = None
    skin_high_c: float | None = None
    p_active_frost: float | None = None


@dataclass(frozen=True, slots=True)
class Weather:
    """What falls or freezes, in the codes of the report or the TAF; ``//``: the station cannot tell.

    `certainty`: None where it was observed.
    """

    codes: tuple[str, ...]
    begins_at: datetime
    ends_at: datetime
    certainty: Certainty | None = None


@dataclass(frozen=True, slots=True)
class LevelSpan:
    """Where a flag stands, or is expected to stand, at a level. `ends_at`: None while it goes on."""

    level: Level
    flag: Flag
    kind: Kind
    begins_at: datetime
    ends_at: datetime | None
    certainty: Certainty | None = None


@dataclass(frozen=True, slots=True)
class Span:
    """From a time to a time; `ends_at`: None while it goes on."""

    begins_at: datetime
    ends_at: datetime | None


@dataclass(frozen=True, slots=True)
class Band:
    """All that one strip shows.

    Parameters
    ----------
    station, name
        Code and name; both come from outside.
    now
        When it was put together.
    begins_at, ends_at
        Full hours, at least an hour beyond what is shown at `now`.
    past, expected
        Temperatures by report, oldest first, and by step ahead.
    joined
        Whether the first expected point rests on the last report, so that a line may lead from one to the other.
    weather, levels
        In the order of their beginning.
    nights
        Where the sun is down; None where the position is not known.
    reported_at
        Times of the usable reports.
    blind
        Where no usable report says what the weather was.
    """

    station: str
    name: str | None
    now: datetime
    begins_at: datetime
    ends_at: datetime
    past: tuple[Point, ...]
    expected: tuple[ExpectedPoint, ...]
    joined: bool
    weather: tuple[Weather, ...]
    levels: tuple[LevelSpan, ...]
    nights: tuple[Span, ...] | None
    reported_at: tuple[datetime, ...]
    blind: tuple[Span, ...]

    @property
    def is_blind(self) -> bool:
        """Whether the station is blind now."""
        return bool(self.blind) and self.blind[-1].ends_at is None
