"""Who wants to be told what, where and when; and the destinations as the telling sees them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time, timedelta

from watcher.rulebook.words import Flag, Level

# How long the owner of an address has to confirm that they want messages there. Common practice, no source.
CONFIRM_WITHIN = timedelta(days=7)


@dataclass(frozen=True, slots=True)
class Hours:
    """Local wall time, every day; may cross midnight. `zone`: IANA name. Equal begin and end: the whole day."""

    begin: time
    end: time
    zone: str


@dataclass(frozen=True, slots=True)
class Circle:
    """All that lies within a great-circle distance of a place."""

    latitude_deg: float
    longitude_deg: float
    radius_km: float


@dataclass(frozen=True, slots=True)
class Subscription:
    """Who wants which flags, levels, stations and hours, at which destinations.

    A station is wanted when it is in `stations`, its country in `countries`, or its place in one of `circles`; without
    any of the three every station is. `flags` None: all. `quiet`: nothing is told in these hours, besides `hours`.
    `digest_at`: local wall times in `zone` at which the open alerts are listed. `only_digest`: nothing else is told.
    `remind_every`: how often an episode that nobody has taken is told again, None: never. `paused`: opens nothing;
    what was told before is still told its end.
    """

    name: str
    destinations: tuple[str, ...]
    stations: frozenset[str] | None = None
    countries: frozenset[str] = frozenset()
    circles: tuple[Circle, ...] = ()
    flags: frozenset[Flag] | None = None
    min_level: Level = Level.PREPARE
    hours: Hours | None = None
    quiet: Hours | None = None
    no_time_ignores_hours: bool = True
    digest_at: tuple[time, ...] = ()
    zone: str | None = None
    only_digest: bool = False
    remind_every: timedelta | None = None
    paused: bool = False


@dataclass(frozen=True, slots=True)
class Recipient:
    """A destination as the telling sees it.

    `group_within`: what happens in so long a time makes one message; None: one message for each event. `open`: whether
    it may be told anything: its address is confirmed, and it was not switched off. `fallback`: who is told in its place
    while it cannot be. `gone`: its receiver switched it off; where the operator did, nobody is told in its place.
    """

    name: str
    group_within: timedelta | None = None
    open: bool = True
    fallback: str | None = None
    gone: bool = False
