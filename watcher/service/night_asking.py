"""From what a person gives of a parked aircraft to what a night is asked with, for commands, pages and programs."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from watcher.errors import Gathered, Problem
from watcher.moments import time_about
from watcher.outlook.night.model import Aircraft


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
