"""The values of the morning list: each departure's line, and the load of each site by half hour. No numpy in them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from watcher.treatment.kinds import Place
from watcher.treatment.parse_departures import Listed
from watcher.treatment.planned import Need, Option

HALF_HOUR = timedelta(minutes=30)
# Less likely than this to need treatment: nobody is called. Common practice, no source.
_WORTH_SAYING = 0.05


@dataclass(frozen=True, slots=True)
class Range:
    """A figure in 10, 50 and 90 % of the members."""

    p10: float
    p50: float
    p90: float


@dataclass(frozen=True, slots=True)
class Line:
    """One departure.

    Parameters
    ----------
    number
        In which order the aircraft come to be treated at a station; None: not expected to be, or done.
    need
        None where it cannot be told.
    option
        The recommended place, or the one given, among all the others; None where there is none.
    wait_min
        For a bay or rigs.
    litres
        Of both steps where it is treated; None: not known.
    why
        One sentence where there is no place, or why it was not asked.
    """

    listed: Listed
    number: int | None
    need: Need | None
    option: Option | None
    wait_min: Range | None
    litres: Range | None
    why: str


@dataclass(frozen=True, slots=True)
class HalfHour:
    """The load of one site from `begins_at` on.

    `aircraft`: how many begin treatment in it. `bays_busy`, `rigs_busy`: on average over the half hour. `p_broken`:
    chance that for one of them the time to take-off is longer than its holdover time, the lower one; None: cannot be
    told. `wait_min`: the longest wait for a bay among them.
    """

    station: str
    site: str
    place: Place
    begins_at: datetime
    bays: int
    rigs: int
    aircraft: Range
    bays_busy: Range
    rigs_busy: Range
    wait_min: Range
    p_broken: float | None


@dataclass(frozen=True, slots=True)
class Data:
    """What the figures of a station rest on: its reports (None: none) and the zone of its local time."""

    station: str
    zone: str
    observed_at: datetime | None
    forecast_issued_at: datetime | None


@dataclass(frozen=True, slots=True)
class Morning:
    """The list, in the order of treatment, and the load by site and half hour.

    `litres`: of all that are treated, by station and size. `data`: of each station.
    """

    made_at: datetime
    members: int
    lines: tuple[Line, ...]
    load: tuple[HalfHour, ...]
    litres: dict[tuple[str, str], Range]
    data: tuple[Data, ...]
    notes: tuple[str, ...]

    @property
    def training(self) -> bool:
        """Whether a figure comes from tables that are not in force."""
        options = [line.option for line in self.lines if line.option is not None]
        return any(option.holdover is not None and option.holdover.training for option in options)


def to_treat(line: Line) -> bool:
    """Return whether a departure is to be treated as far as can be told; where it cannot, it is."""
    return line.option is not None and (line.need is None or line.need.p_any >= _WORTH_SAYING)
