"""From what a person gives of a parked aircraft to what a night is asked with, for commands, pages and programs."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, time

from watcher.alerts.hours import following, latest
from watcher.errors import Gathered, Problem, UsageError
from watcher.moments import time_about, time_ahead
from watcher.outlook.night.model import Aircraft
from watcher.units import iso_z

_WALL = re.compile(r"(?P<hour>[01]?\d|2[0-3]):(?P<minute>[0-5]\d)")


@dataclass(frozen=True, slots=True)
class Parked:
    """What a person gives, times as they are written: ``0300Z``. None: left out.

    Parameters
    ----------
    fuel_c, hangar_c, sky, emissivity
        As `Aircraft` has them; `sky` is its `sheltered`.
    hangar_exit, treated, arrived
        When it leaves or left the hangar, was or will be made clean, and since when it stands outside.
    """

    fuel_c: float | None = None
    hangar_exit: str | None = None
    hangar_c: float | None = None
    treated: str | None = None
    arrived: str | None = None
    sky: float = 1.0
    emissivity: float | None = None


def craft_of(
    parked: Parked, now: datetime, until: datetime, where: Callable[[str], str] = lambda name: name
) -> Aircraft:
    """Return what is known of a parked aircraft.

    Parameters
    ----------
    parked
        What is given.
    now, until
        The present and the departure, aware UTC.
    where
        Gives what messages call a field of `Parked`, such as ``--fuel-c``.

    Raises
    ------
    UsageError
        With all that is wrong at once.
    """
    gathered = Gathered()
    for name in ("fuel_c", "hangar_c", "sky", "emissivity"):
        value = getattr(parked, name)
        if value is not None and math.isnan(value):
            gathered.problems.append(Problem(where(name), "is no number"))
    if parked.hangar_c is not None and parked.hangar_exit is None:
        what = "says nothing without the time of leaving"
        gathered.problems.append(Problem(where("hangar_c"), what, f"give {where('hangar_exit')} too"))

    def about(name: str, text: str | None) -> datetime | None:
        return None if text is None else gathered.take(lambda: time_about(where(name), text, now, until))

    craft = Aircraft(
        fuel_c=parked.fuel_c,
        hangar_exit_at=about("hangar_exit", parked.hangar_exit),
        hangar_c=parked.hangar_c,
        treated_at=about("treated", parked.treated),
        sheltered=parked.sky,
        emissivity=parked.emissivity,
        arrived_at=about("arrived", parked.arrived),
    )
    gathered.check()
    return craft


def departure_at(where: str, text: str, zone: str | None, now: datetime) -> datetime:
    """Return a departure: as `time_ahead` reads it, and ``05:40`` is the next time that the wall clock reads that.

    Parameters
    ----------
    where
        What messages call it.
    text
        As written.
    zone
        IANA zone of the station; None: not known, then there is no local time.
    now
        Aware UTC.

    Raises
    ------
    UsageError
        It is no time, none to come, or local without a zone.
    """
    wall = _wall(text)
    if wall is None:
        return time_ahead(where, text, now)
    found = following((wall,), _known(where, text, zone), now)
    assert found is not None
    return found


def with_local_times(parked: Parked, zone: str | None, now: datetime, until: datetime) -> Parked:
    """Return what is given with its local times in Z: the next such time until the departure, else the last one.

    Raises
    ------
    UsageError
        A time is local, and the zone is not known.
    """
    gathered = Gathered()

    def in_z(name: str, text: str | None) -> str | None:
        wall = _wall(text) if text is not None else None
        if text is None or wall is None:
            return text
        known = gathered.take(lambda: _known(name, text, zone))
        return _about(wall, known, now, until) if known is not None else None

    found = replace(
        parked,
        hangar_exit=in_z("hangar_exit", parked.hangar_exit),
        treated=in_z("treated", parked.treated),
        arrived=in_z("arrived", parked.arrived),
    )
    gathered.check()
    return found


def _wall(text: str) -> time | None:
    match = _WALL.fullmatch(text.strip())
    return time(int(match["hour"]), int(match["minute"])) if match is not None else None


def _known(where: str, text: str, zone: str | None) -> str:
    if zone is None:
        what = f'"{text}" is local time, and the time zone of the station is not known'
        raise UsageError([Problem(where, what, "write it in Z, such as 0540Z")])
    return zone


def _about(wall: time, zone: str, now: datetime, until: datetime) -> str:
    ahead = following((wall,), zone, now)
    moment = ahead if ahead is not None and ahead <= until else latest((wall,), zone, now)
    assert moment is not None
    return iso_z(moment)
