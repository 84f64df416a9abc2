"""The protection of one treated aircraft: what was put on it when, and all weather that it has stood in since.

Nothing is ever taken out of what was seen, so that neither a better report nor the order in which reports come in can
lengthen a clock: the clocks are read from all of it (`watcher.treatment.clocks`).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum

from watcher.reports.model import Observation
from watcher.reports.station import Station
from watcher.treatment.kinds import Place
from watcher.treatment.press import Press
from watcher.treatment.protection_weather import Entered, Seen, all_entered, seen_in, together
from watcher.treatment.words import FluidType, Surface

# Common practice, no source: no clock of any table runs as long, and an aircraft that left is often not signed off.
LONGEST = timedelta(hours=12)
# Common practice, no source: routine reports come every hour at most places, and often twenty minutes late.
BEFORE_START = timedelta(minutes=90)
# An older report does not say what falls now; most stations report every 30 or 60 minutes. Common practice, no source.
FRESH = timedelta(minutes=90)


class Standing(StrEnum):
    """How a protection stands.

    no-limit: nothing falls that a table answers for. running: before the lower end. allowance: inside an allowance
    time. over: past the lower end, or past the allowance time. special: no holdover time on the tables, only under a
    special approval of the operator. none: no holdover time exists. blind, unknown, out-of-season: it cannot be told,
    and no minutes are shown.
    """

    NO_LIMIT = "no-limit"
    RUNNING = "running"
    ALLOWANCE = "allowance"
    OVER = "over"
    SPECIAL = "special"
    NONE = "none"
    BLIND = "blind"
    UNKNOWN = "unknown"
    OUT_OF_SEASON = "out-of-season"
    ENDED = "ended"


class Ending(StrEnum):
    """How a protection ended."""

    TOOK_OFF = "took-off"
    RETURNED = "returned"
    EXPIRED = "expired"


@dataclass(frozen=True, slots=True)
class Announced:
    """The worst that was made known of a protection. `ends_at`: the lower end, or that of an allowance time."""

    standing: Standing
    ends_at: datetime | None


@dataclass(frozen=True, slots=True)
class Protection:
    """One treated aircraft.

    Parameters
    ----------
    id, station, aircraft
        ``XNOR-P3``, where it stands, and what people call it.
    fluid, mix, surface, flaps_set, lout_c, cold_soaked_wing
        Of the final application; see `HoldoverQuestion`.
    started_at
        When the final application began: the holdover time runs from here.
    treatment_ended_at
        The waits for bleed air run from here; None: not known, or not yet.
    place
        Where it was treated; None: not known.
    engine_wait_min, apu_wait_min, waits_source
        Waits of the aircraft's profile in minutes; None: not known, and no time is shown.
    authority
        Whose tables and rules; None: the strictest of all.
    training
        Minutes may come from tables that are not in force, marked as such.
    counts_from
        Reports observed before are of weather that the final application did not stand in.
    seen
        All weather since then, each once, in an order that does not hang on how it came in.
    blind, was_blind
        The station has no usable report now, or none of the last 90 minutes; that was so for some time since the start.
    announced
        What was made known; None before the first reading.
    take_off_at
        When it is expected to take off; None: not known.
    presses
        What was pressed on its page, in the order in which it was heard of.
    ended_at, ending
        None while it is live.
    seq, version
        Number of its last event; how often it was written down, which fences writers.
    """

    id: str
    station: str
    aircraft: str
    fluid: FluidType
    mix: str | None
    started_at: datetime
    counts_from: datetime
    surface: Surface = Surface.UNKNOWN
    flaps_set: bool = False
    lout_c: float | None = None
    cold_soaked_wing: bool | None = None
    place: Place | None = None
    treatment_ended_at: datetime | None = None
    engine_wait_min: float | None = None
    apu_wait_min: float | None = None
    waits_source: str | None = None
    authority: str | None = None
    training: bool = False
    seen: tuple[Seen, ...] = ()
    blind: bool = False
    was_blind: bool = False
    announced: Announced | None = None
    take_off_at: datetime | None = None
    presses: tuple[Press, ...] = ()
    ended_at: datetime | None = None
    ending: Ending | None = None
    seq: int = 0
    version: int = 0

    @property
    def live(self) -> bool:
        """Whether it has not ended."""
        return self.ended_at is None

    @property
    def latest_at(self) -> datetime | None:
        """When the newest report was observed; None before the first."""
        return max((each.last_at for each in self.seen if not each.by_crew), default=None)

    def is_stale(self, now: datetime) -> bool:
        """Return whether the newest report is too old to say what falls now, however rarely its station reports."""
        return self.latest_at is not None and now - self.latest_at > FRESH


def counts_from(started_at: datetime, observed: Iterable[datetime]) -> datetime:
    """Return from which time of observation reports count: that of the report in force when the application began.

    Parameters
    ----------
    started_at
        Start of the final application.
    observed
        Times of observation of the reports at hand.
    """
    earliest = started_at - BEFORE_START
    return max((each for each in observed if earliest <= each <= started_at), default=earliest)


def with_report(protection: Protection, observation: Observation, station: Station) -> Protection:
    """Return a protection with the weather of a report.

    A report of another station, one without content, and one that was observed before the protection counts change
    nothing. What had fallen and ended before the final application began is left out. What a corrected report said
    stays: an improvement never lengthens a clock.

    Parameters
    ----------
    protection
        As it stands.
    observation
        A METAR or SPECI.
    station
        Where it is, for day or night.
    """
    passed_over = observation.nil or observation.station != protection.station
    if passed_over or observation.observed_at < protection.counts_from or not protection.live:
        return protection
    return _adding(protection, seen_in(observation, station, protection.started_at))


def with_entry(protection: Protection, entered: Entered) -> Protection:
    """Return a protection with what the crew sees: instead of what the latest report says of it, and beside it.

    Snow that no report has gives no minutes before its visibility is entered, alone or with it.

    Parameters
    ----------
    protection
        As it stands.
    entered
        What was entered. Before the first report its temperature is not known.
    """
    reports = [each for each in protection.seen if not each.by_crew and not each.recent]
    latest = max(reports, key=lambda each: each.last_at, default=None)
    if not protection.live:
        return protection
    return _adding(protection, all_entered(entered, latest, protection.seen))


def with_end_of_treatment(protection: Protection, ended_at: datetime) -> Protection:
    """Return a protection whose treatment has ended.

    Raises
    ------
    ValueError
        It would end before it began.
    """
    if ended_at < protection.started_at:
        raise ValueError("the treatment would end before its final application began")
    return replace(protection, treatment_ended_at=ended_at)


def with_sight(protection: Protection, *, blind: bool) -> Protection:
    """Return a protection whose station is blind, or sees; that it was blind is remembered."""
    was_blind = protection.was_blind or blind
    if (protection.blind, protection.was_blind) == (blind, was_blind):
        return protection
    return replace(protection, blind=blind, was_blind=was_blind)


def ended(protection: Protection, ending: Ending, at: datetime) -> Protection:
    """Return a protection that is over; the first ending counts."""
    return replace(protection, ending=ending, ended_at=at) if protection.live else protection


def _adding(protection: Protection, items: Iterable[Seen]) -> Protection:
    seen = together(protection.seen, items)
    return protection if seen == protection.seen else replace(protection, seen=seen)
