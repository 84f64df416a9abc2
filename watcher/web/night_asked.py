"""What the night page is asked, in its address: stations, departure and what is known of the parked aircraft."""

from __future__ import annotations

import re
from collections.abc import Mapping

from fastapi import Request

from watcher.alerts.model import StationView
from watcher.errors import Gathered, Problem, UsageError
from watcher.service.night_asking import Parked
from watcher.web.stations import nearest_codes

FIELDS = ("station", "until", "fuel_c", "arrived", "treated", "hangar_exit", "hangar_c", "sky", "emissivity")
# The morning's first wave; whoever leaves at another time writes it.
UNTIL = "06:00"
MOST_STATIONS = 12
_LONGEST = 120
_SPACES = re.compile(r"[\s,;]+")
# Between which values a number may be, as for the command and the API.
_RANGES = {"fuel_c": (-60.0, 60.0), "hangar_c": (-40.0, 40.0), "sky": (0.0, 1.0), "emissivity": (0.02, 1.0)}


def given_of(request: Request) -> dict[str, str]:
    """Return the fields of an address; stations may stand in several fields or in one."""
    query = request.query_params
    given = {name: " ".join(query[name].split())[:_LONGEST] for name in FIELDS if query.get(name)}
    codes = [code for text in query.getlist("station") for code in _SPACES.split(text.upper()) if code]
    return {**given, "station": " ".join(dict.fromkeys(codes))[:_LONGEST]} if codes else given


def codes_of(text: str, views: Mapping[str, StationView]) -> list[str]:
    """Return the watched stations that a text names. Raises a UsageError, at `station`, for others."""
    codes = [code for code in _SPACES.split(text) if code]
    if not codes:
        raise UsageError([Problem("station", "is not given", "name one station or several")])
    if len(codes) > MOST_STATIONS:
        raise UsageError([Problem("station", f"are {len(codes)}", f"name at most {MOST_STATIONS}")])
    unknown = [code for code in codes if code not in views]
    if unknown:
        raise UsageError(
            [
                Problem("station", f'"{code}" is not watched', f"did you mean {' or '.join(near)}?" if near else "")
                for code in unknown
                for near in [nearest_codes(code, views)[:2]]
            ]
        )
    return codes


def parked_of(given: Mapping[str, str], read: Gathered) -> Parked:
    """Return what is given of the aircraft; a number that cannot be is left out, and said in `read`."""

    def number(name: str) -> float | None:
        return read.take(lambda: _number(name, given.get(name)))

    sky = number("sky")
    return Parked(
        fuel_c=number("fuel_c"),
        hangar_exit=given.get("hangar_exit"),
        hangar_c=number("hangar_c"),
        treated=given.get("treated"),
        arrived=given.get("arrived"),
        sky=sky if sky is not None else 1.0,
        emissivity=number("emissivity"),
    )


def _number(name: str, text: str | None) -> float | None:
    if text is None:
        return None
    low, high = _RANGES[name]
    try:
        value = float(text.replace(",", ".").removesuffix("°C").replace("\N{MINUS SIGN}", "-"))
    except ValueError as error:
        raise UsageError([Problem(name, f'"{text}" is no number', f"from {low:g} to {high:g}")]) from error
    if not low <= value <= high:
        raise UsageError([Problem(name, f"{text} cannot be", f"from {low:g} to {high:g}")])
    return value
