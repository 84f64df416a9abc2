"""The groups of one report body, or of one period of a forecast, gathered from its tokens.

What is gathered first stands: a second temperature or wind is said as a doubt, never an average or a replacement.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from watcher.reports.groups import (
    Cloud,
    Pressure,
    Recent,
    Temperature,
    Visibility,
    Weather,
    Wind,
    Word,
    read_token,
)
from watcher.reports.model import CloudLayer, VisibilityBound
from watcher.reports.weather import WeatherGroup, may_freeze
from watcher.units import METRES_PER_STATUTE_MILE


@dataclass(slots=True)
class Body:
    """What the tokens gave so far. Lives while one report is read."""

    wind: Wind | None = None
    visibility_m: float | None = None
    visibility_bound: VisibilityBound | None = None
    visibility_missing: bool = False
    vertical_visibility_ft: int | None = None
    cavok: bool = False
    weather: list[WeatherGroup] = field(default_factory=list)
    weather_observable: bool = True
    weather_ends: bool = False
    recent: list[str] = field(default_factory=list)
    clouds: list[CloudLayer] | None = None
    temperature: Temperature | None = None
    pressure_hpa: float | None = None
    runway_state: list[str] = field(default_factory=list)
    auto: bool = False
    nil: bool = False
    correction: str | None = None
    unread_may_freeze: bool = False
    doubts: list[str] = field(default_factory=list)


def read_body(tokens: Sequence[str]) -> Body:
    """Return what the tokens of a body say, in any order."""
    body = Body()
    whole_miles = ""
    for index, token in enumerate(tokens):
        if whole_miles:
            _miles_and_fraction(body, whole_miles, token)
            whole_miles = ""
        elif len(token) == 1 and token.isdigit() and _is_fraction_of_miles(tokens, index + 1):
            whole_miles = token
        else:
            group = read_token(token)
            if group is None:
                _unread(body, token)
            else:
                _READERS[type(group)](body, token, group)
    return body


def _is_fraction_of_miles(tokens: Sequence[str], index: int) -> bool:
    return index < len(tokens) and "/" in tokens[index] and tokens[index].endswith("SM")


def _unread(body: Body, token: str) -> None:
    if may_freeze(token):
        body.unread_may_freeze = True
        body.doubts.append(f"{token}: not understood, and it may mean something freezing")
    else:
        body.doubts.append(f"{token}: not understood")


def _miles_and_fraction(body: Body, whole: str, fraction: str) -> None:
    above, below = fraction.removesuffix("SM").split("/", 1)
    if above.isdigit() and below.isdigit() and int(below):
        miles = int(whole) + int(above) / int(below)
        _visibility(body, f"{whole} {fraction}", Visibility(round(miles * METRES_PER_STATUTE_MILE), "exact"))
    else:
        _unread(body, f"{whole} {fraction}")


def _wind(body: Body, token: str, group: Wind) -> None:
    if body.wind is not None:
        body.doubts.append(f"{token}: a second wind, passed over")
    else:
        body.wind = group


def _visibility(body: Body, token: str, group: Visibility) -> None:
    if group.doubt:
        body.doubts.append(f"{token}: {group.doubt}")
    if group.directional or body.cavok:
        return
    if body.visibility_m is not None:
        # A second plain visibility is the lowest one of FM 15 when sent without its direction.
        return
    body.visibility_m, body.visibility_bound = group.m, group.bound


def _weather(body: Body, token: str, group: Weather) -> None:
    for item in group.groups:
        body.weather.append(item)
        if not item.regular:
            body.doubts.append(f"{token}: weather codes in an order that table 4678 does not have")
    if len(group.groups) > 1:
        body.doubts.append(f"{token}: read as {' '.join(item.text for item in group.groups)}")


def _cloud(body: Body, _token: str, group: Cloud) -> None:
    if group.vertical_visibility_ft is not None:
        body.vertical_visibility_ft = group.vertical_visibility_ft
    if group.layer is not None:
        body.clouds = [*(body.clouds or []), group.layer]


def _temperature(body: Body, token: str, group: Temperature) -> None:
    if body.temperature is not None:
        body.doubts.append(f"{token}: a second temperature, passed over")
        return
    body.temperature = group


def _pressure(body: Body, _token: str, group: Pressure) -> None:
    if body.pressure_hpa is None:
        body.pressure_hpa = group.hpa


def _recent(body: Body, _token: str, group: Recent) -> None:
    if group.text != "//":
        body.recent.append(group.text)


def _word(body: Body, token: str, group: Word) -> None:
    kind = group.kind
    if kind == "cavok":
        body.cavok, body.visibility_m, body.visibility_bound = True, 10000.0, "at_least"
    elif kind == "auto":
        body.auto = True
    elif kind == "nsw":
        body.weather_ends = True
    elif kind == "nil":
        body.nil = True
    elif kind in {"cor", "rtd", "cc"}:
        body.correction = token
    elif kind == "runway":
        body.runway_state.append(token)
    elif kind == "missing":
        body.doubts.append(f"{token}: a group is missing")
    elif kind.startswith("slashes"):
        _slashes(body, len(token))


def _slashes(body: Body, count: int) -> None:
    """Read groups that are only slashes: // weather, //// visibility, ////// cloud, and longer ones run together."""
    if count == 4 and body.visibility_m is None:
        body.visibility_missing = True
    elif count == 5:
        return
    elif count == 2 or count > 6:
        body.weather_observable = False


_READERS: dict[type, Callable[[Body, str, Any], None]] = {
    Wind: _wind,
    Visibility: _visibility,
    Weather: _weather,
    Cloud: _cloud,
    Temperature: _temperature,
    Pressure: _pressure,
    Recent: _recent,
    Word: _word,
}
