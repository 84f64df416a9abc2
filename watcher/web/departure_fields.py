"""Where a departure leads: to its own plan, with the day in every time so that a link lasts, and to its protection."""

from __future__ import annotations

from urllib.parse import urlencode

from watcher.treatment.departures import Departure
from watcher.treatment.plan_words import is_training
from watcher.treatment.planned import Option
from watcher.units import clock_z, iso_z


def departure_link(root: str, departure: Departure, *, training: bool) -> str:
    """Return the address of a departure's own plan; `root`: what every address begins with."""
    parked = departure.parked
    times = {
        "off_block": departure.tobt,
        "tsat": departure.tsat,
        "ctot": departure.ctot,
        "arrived": parked.arrived_at,
        "hangar_exit": parked.hangar_exit_at,
    }
    words: dict[str, str | None] = {
        "station": departure.station,
        "flight": departure.name,
        "aircraft": departure.aircraft,
        **{name: iso_z(at) for name, at in times.items() if at is not None},
        "place": None if departure.place is None else departure.place.value,
        "fluid": departure.fluid,
        "runway": departure.runway,
        "contamination": None if departure.contamination is None else departure.contamination.value,
        "fuel_c": None if parked.fuel_c is None else f"{parked.fuel_c:g}",
        "training": "1" if training else None,
    }
    return f"{root}/depart?{urlencode({name: text for name, text in words.items() if text})}"


def protection_link(root: str, departure: Departure, option: Option) -> str:
    """Return the address of the form of a new protection, filled in for a treatment at one place."""
    filled = {
        "station": departure.station,
        "aircraft": departure.name,
        "profile": departure.aircraft,
        "place": option.place.value,
    }
    if option.fluid is not None:
        filled["fluid"] = option.fluid.type.value
        if option.fluid.type.thickened:
            filled["mix"] = option.fluid.mix
        if option.lout_c is not None:
            # The form takes none above the freezing point; below that such a fluid must not be used either way.
            filled["lout"] = f"{min(option.lout_c, 0.0):g}"
    if option.take_off is not None:
        filled["take_off"] = clock_z(option.take_off.p50)
    if is_training(option):
        filled["training"] = "yes"
    return f"{root}/protections/new?{urlencode(filled)}"
