"""From what a person writes to the values of a look-up: fluid and mix, surface, temperature, visibility, weather.

`where` names the option or the field in the message about what cannot be read.
"""

from __future__ import annotations

from watcher.errors import Problem, UsageError, nearest
from watcher.reports.body import read_body
from watcher.reports.groups import Temperature, read_token
from watcher.reports.model import VisibilityBound
from watcher.reports.weather import parse_weather
from watcher.treatment.parse_rows import mix
from watcher.treatment.words import FluidType, Surface


def fluid_type(text: str, where: str) -> FluidType:
    """Return the type of fluid: Type IV, IV, 4. UsageError when it is none."""
    word = text.upper().removeprefix("TYPE").strip(" -")
    number = {"1": "I", "2": "II", "3": "III", "4": "IV"}.get(word, word)
    if number not in FluidType.__members__:
        what = f'"{text}" is no fluid type' if text else "is missing"
        raise UsageError([Problem(where, what, f"allowed: {', '.join(FluidType)}")])
    return FluidType[number]


def mix_of(text: str | None, where: str) -> str | None:
    """Return a mix as tables name it: 75/25, 75. UsageError when it is none."""
    if text is None:
        return None
    written = f"{text}/{100 - int(text)}" if text.isdecimal() and int(text) <= 100 else text
    try:
        return mix(written, None)
    except ValueError as error:
        raise UsageError([Problem(where, str(error))]) from error


def surface_of(text: str, where: str) -> Surface:
    """Return what the treated surfaces are made of. UsageError when it is none."""
    allowed = [each.value for each in Surface if each is not Surface.ANY]
    if text.lower() not in allowed:
        raise UsageError([Problem(where, f'"{text}" is not known', nearest(text, allowed))])
    return Surface(text.lower())


def authority_of(text: str | None, allowed: tuple[str, ...], where: str) -> str | None:
    """Return an authority that has tables here; None: the strictest of all. UsageError when it is none."""
    if text is None:
        return None
    found = {each.casefold(): each for each in allowed}.get(text.casefold())
    if found is None:
        raise UsageError([Problem(where, f'"{text}" has no tables here', nearest(text, allowed))])
    return found


def temperature_of(text: str, where: str) -> tuple[float, float]:
    """Return what rounding leaves: half a degree to both sides of a whole one, a twentieth of a written tenth."""
    group = read_token(f"{text}/") if len(text) in {2, 3} and not text.startswith(("-", "+")) else None
    if isinstance(group, Temperature) and group.temp_c is not None:
        return group.temp_c[1], group.temp_c[2]
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not -80 <= value <= 60:
        raise UsageError([Problem(where, f'"{text}" is no air temperature', "°C, such as -2, -2.3 or M02")])
    half = 0.05 if "." in text else 0.5
    return value - half, value + half


def visibility_of(text: str, where: str) -> tuple[float | None, VisibilityBound | None]:
    """Return a prevailing visibility in metres and its bound. UsageError when it is none."""
    plain = text.strip().upper()
    body = read_body(f"{int(plain):04d}" if plain.isdecimal() and int(plain) <= 9999 else plain)
    if plain.isdecimal() and int(plain) > 9999:
        return 10000.0, "at_least"
    if body.cavok:
        return 10000.0, "at_least"
    if body.visibility_m is None or body.weather or body.doubts:
        remedy = "metres such as 2500, or statute miles such as 1 1/2SM, M1/4SM, P6SM"
        raise UsageError([Problem(where, f'"{text}" is none', remedy)])
    return body.visibility_m, body.visibility_bound


def weather_of(text: str, where: str) -> tuple[str, ...]:
    """Return weather groups as reported; none: nothing falls. UsageError when it is none."""
    groups = tuple(text.upper().split())
    if groups in {("NONE",), ("NSW",)}:
        return ()
    unknown = [group for group in groups if parse_weather(group) is None]
    if unknown or not groups:
        what = f'"{" ".join(unknown)}" is no weather group' if unknown else "is empty"
        raise UsageError([Problem(where, what, 'as reported, such as "-SN BR" or FZDZ; none when nothing falls')])
    return groups
