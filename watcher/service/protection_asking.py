"""From what a person gives of a treated aircraft to the protection that is begun, for commands, pages and programs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Final, TypeVar

from watcher.errors import Gathered, Problem, UsageError, nearest
from watcher.moments import time_ahead, time_before
from watcher.notify.wording import plain
from watcher.service.planning import Treatments
from watcher.treatment.kinds import Flaps, Place
from watcher.treatment.parse_asked import authority_of, fluid_type, mix_of, surface_of
from watcher.treatment.profiles import AircraftProfile
from watcher.treatment.protection import Protection
from watcher.treatment.words import FluidType, Surface
from watcher.units import clock_z

T = TypeVar("T")
LONGEST_NAME: Final = 40


@dataclass(frozen=True, slots=True)
class Asked:
    """What a person gives, as it is written. None or empty: left out.

    Parameters
    ----------
    station, aircraft, fluid, started
        Where, what people call it, the fluid of the final application, and when that began: ``0512Z`` or ``now``.
    mix, ended, place, profile, surface, lout, authority, take_off
        See `Protection`; of the profile come the waits, and wing and flaps where they are left out here. Without a
        profile flaps are taken as in, and every page says so.
    flaps_set, cold_soaked, training
        See `Protection`.
    """

    station: str
    aircraft: str
    fluid: str
    started: str
    mix: str | None = None
    ended: str | None = None
    place: str | None = None
    profile: str | None = None
    surface: str | None = None
    lout: str | None = None
    authority: str | None = None
    take_off: str | None = None
    flaps_set: bool = False
    cold_soaked: bool | None = None
    training: bool = False


def wanted(
    asked: Asked, treatments: Treatments, now: datetime, where: Callable[[str], str] = lambda name: name
) -> Protection:
    """Return the protection that a person asks for; what it stood in is found when it is begun.

    Parameters
    ----------
    asked
        What is given.
    treatments
        Aircraft profiles and holdover tables.
    now
        Aware UTC.
    where
        Gives what messages call a field of `Asked`, such as ``--fluid``.

    Raises
    ------
    UsageError
        With all that is wrong at once.
    """
    gathered = Gathered()
    begun = gathered.take(lambda: _begun(asked.started, now, where("started")))
    over = _given(gathered, asked.ended, lambda text: time_before(where("ended"), text, now))
    fluid = gathered.take(lambda: fluid_type(asked.fluid, where("fluid")))
    mix = _given(gathered, asked.mix, lambda text: mix_of(text, where("mix")))
    profile = _given(gathered, asked.profile, lambda text: treatments.fleet.profile(text, where("profile")))
    surface = _given(gathered, asked.surface, lambda text: surface_of(text, where("surface")))
    place = _given(gathered, asked.place, lambda text: _place(text, where("place")))
    lout_c = _given(gathered, asked.lout, lambda text: _lout(text, where("lout")))
    authority = _given(
        gathered, asked.authority, lambda text: authority_of(text, treatments.tables.authorities, where("authority"))
    )
    take_off_at = _given(gathered, asked.take_off, lambda text: time_ahead(where("take_off"), text, now))
    aircraft = gathered.take(lambda: _label(asked.aircraft, where("aircraft")))
    gathered.take(lambda: _check_mix(fluid, asked.mix, where("mix")))
    gathered.take(lambda: _check_times(begun, over, where("ended")))
    gathered.check()
    assert begun is not None
    assert fluid is not None
    assert aircraft is not None
    return Protection(
        id="",
        station=asked.station.upper(),
        aircraft=aircraft,
        fluid=fluid,
        mix=mix if fluid.thickened else None,
        started_at=begun,
        counts_from=begun,
        surface=surface if surface is not None else _surface(profile),
        flaps_set=asked.flaps_set or _has_flaps_out(profile),
        lout_c=lout_c,
        cold_soaked_wing=asked.cold_soaked,
        place=place,
        treatment_ended_at=over,
        engine_wait_min=profile.engine_bleed_wait_min if profile is not None else None,
        apu_wait_min=profile.apu_bleed_wait_min if profile is not None else None,
        waits_source=profile.waits_source if profile is not None else None,
        authority=authority,
        take_off_at=take_off_at,
        training=asked.training,
    )


def _given(gathered: Gathered, text: str | None, read: Callable[[str], T | None]) -> T | None:
    return gathered.take(lambda: read(text)) if text else None


def _begun(text: str, now: datetime, where: str) -> datetime:
    return now if text.strip().lower() == "now" else time_before(where, text, now)


def _surface(profile: AircraftProfile | None) -> Surface:
    wing = profile.wing_material if profile is not None else None
    return Surface(wing.value) if wing is not None else Surface.UNKNOWN


def _has_flaps_out(profile: AircraftProfile | None) -> bool:
    """Return whether they count as out: what the profile leaves open is not taken for the better case."""
    return profile is not None and profile.flaps_during_treatment is not Flaps.RETRACTED


def _place(word: str, where: str) -> Place:
    if word not in list(Place):
        raise UsageError([Problem(where, f'"{word}" is not known', nearest(word, Place))])
    return Place(word)


def _label(text: str, where: str) -> str:
    label = plain(text)
    if not 0 < len(label) <= LONGEST_NAME:
        what = "is empty" if not label else f"has {len(label)} characters"
        raise UsageError([Problem(where, what, f"1 to {LONGEST_NAME}")])
    return label


def _lout(text: str, where: str) -> float:
    # Common practice, no source: no fluid is used colder, and water freezes at the warmer end.
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not -80 <= value <= 0:
        raise UsageError([Problem(where, f"{plain(text)} °C is no lowest temperature of a fluid", "-80 to 0")])
    return value


def _check_mix(fluid: FluidType | None, mix: str | None, where: str) -> None:
    if fluid is not None and fluid.thickened and not mix:
        raise UsageError([Problem(where, "is missing", "the holdover time of Types II, III and IV hangs on it: 100/0")])


def _check_times(begun: datetime | None, over: datetime | None, where: str) -> None:
    if begun is not None and over is not None and over < begun:
        what = f"{clock_z(over)} is before the start of the final application at {clock_z(begun)}"
        raise UsageError([Problem(where, what)])
