"""The form that begins a protection: what was given, what is wrong beside its field, and what one can choose."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from watcher.errors import UsageError
from watcher.service.protection_asking import Asked
from watcher.treatment.kinds import Flaps, Place
from watcher.treatment.profiles import AircraftProfile, Fleet
from watcher.treatment.protection import Protection
from watcher.treatment.words import FluidType, Surface
from watcher.units import clock_z, iso_z
from watcher.web.house import House

# The mixes that tables and stations name.
MIXES: Final = ("100/0", "75/25", "50/50")
_COLD_SOAKED: Final = {"yes": True, "no": False}


@dataclass(frozen=True, slots=True)
class Wish:
    """What was given, by field, and what is wrong with it."""

    given: Mapping[str, str]
    wrong: Mapping[str, str] = field(default_factory=dict)

    def text(self, name: str, other: str = "") -> str:
        """Return what was given in a field."""
        return self.given.get(name, other)

    @property
    def asked(self) -> Asked:
        """What is asked for."""
        begins_now = self.text("begins", "now") == "now"
        started = "now" if begins_now else _with_z(self.text("started"))
        fluid, mix, lout = self.text("fluid"), self.text("mix"), self.text("lout")
        return Asked(
            station=self.text("station").strip(),
            aircraft=self.text("aircraft"),
            fluid=fluid,
            started=started,
            mix=mix,
            ended=_with_z(self.text("ended")),
            place=self.text("place"),
            profile=self.text("profile"),
            surface=self.text("surface"),
            lout=lout.strip().replace(",", "."),
            authority=self.text("authority"),
            take_off=_with_z(self.text("take_off")),
            flaps_set=self.text("flaps_set") == "yes",
            cold_soaked=_COLD_SOAKED.get(self.text("cold_soaked")),
            training=self.text("training") == "yes",
        )


@dataclass(frozen=True, slots=True)
class Choices:
    """What one can choose. `offered`: fluids of the station with their places; empty where nobody wrote them down."""

    stations: tuple[tuple[str, str], ...]
    profiles: tuple[str, ...]
    places: tuple[str, ...]
    fluids: tuple[str, ...]
    mixes: tuple[str, ...]
    offered: tuple[str, ...]
    surfaces: tuple[str, ...]
    authorities: tuple[str, ...]


def choices_of(house: House, station: str) -> Choices:
    """Return what one can choose from: watched stations, profiles, and what the station offers."""
    stations = house.watch.stations
    codes = sorted(house.views())
    operations = house.treatments.operations.get(station.strip().upper())
    offered = operations.fluids if operations is not None else ()
    return Choices(
        stations=tuple((code, stations.get(code).name or "") for code in codes),
        profiles=tuple(sorted(house.treatments.fleet.profiles)),
        places=tuple(place.value for place in Place),
        fluids=tuple(kind.value for kind in FluidType),
        mixes=tuple(dict.fromkeys((*MIXES, *(each.mix for each in offered if each.type.thickened)))),
        offered=tuple(f"{each.name}: {', '.join(place.value for place in each.places)}" for each in offered),
        surfaces=tuple(each.value for each in Surface if each is not Surface.ANY),
        authorities=house.treatments.tables.authorities,
    )


def wish_of(protection: Protection, fleet: Fleet, now: datetime) -> Wish:
    """Return a form with the values of another protection, so that one that was ended by mistake is begun again."""
    take_off = protection.take_off_at
    cold = (
        {True: "yes", False: "no"}.get(protection.cold_soaked_wing) if protection.cold_soaked_wing is not None else ""
    )
    ended = protection.treatment_ended_at
    return Wish(
        {
            "station": protection.station,
            "aircraft": protection.aircraft,
            "fluid": protection.fluid.value,
            "mix": protection.mix or "",
            "begins": "at",
            "started": clock_z(protection.started_at),
            "ended": _to_the_second(ended) if ended is not None else "",
            "take_off": clock_z(take_off) if take_off is not None and take_off > now else "",
            "profile": next((name for name, each in fleet.profiles.items() if _has_brought(each, protection)), ""),
            "place": protection.place.value if protection.place is not None else "",
            "surface": protection.surface.value,
            "flaps_set": "yes" if protection.flaps_set else "",
            "lout": f"{protection.lout_c:g}" if protection.lout_c is not None else "",
            "cold_soaked": cold or "",
            "authority": protection.authority or "",
            "training": "yes" if protection.training else "",
        }
    )


def _to_the_second(moment: datetime) -> str:
    """Return a time as it is typed; one with seconds in full, the begun second whole, so that no wait gets shorter."""
    if not (moment.second or moment.microsecond):
        return clock_z(moment)
    return iso_z(moment + timedelta(seconds=1) if moment.microsecond else moment)


def _has_brought(profile: AircraftProfile, protection: Protection) -> bool:
    """Return whether a profile brings the waits that a protection has, and no flaps that it has not."""
    waits = profile.engine_bleed_wait_min, profile.apu_bleed_wait_min, profile.waits_source
    if waits != (protection.engine_wait_min, protection.apu_wait_min, protection.waits_source):
        return False
    return protection.flaps_set or profile.flaps_during_treatment is Flaps.RETRACTED


def field_problems(error: UsageError) -> dict[str, str]:
    """Return what is wrong, by field; what belongs to no field stands under ``form``."""
    names = set(Asked.__dataclass_fields__)
    found: dict[str, str] = {}
    for item in error.problems:
        where = item.where if item.where in names else _FIELDS.get(item.where.partition(" ")[0], "form")
        words = item.what if where == item.where else f"{item.where} {item.what}"
        found[where] = f"{words}{f'; {item.remedy}' if item.remedy else ''}"
    return found


# Problems of `Protections.start` name the thing, not the field.
_FIELDS: Final = {"station": "station", "start": "started"}


def _with_z(text: str) -> str:
    given = text.strip()
    return f"{given}Z" if given and given[-1].isdigit() and len(given) <= 5 else given
