"""One token of a report body, read for what it is: wind, visibility, weather, cloud, temperature, pressure.

Sources: WMO-No. 306, FM 15 and FM 51; FMH-1 for statute miles and inches of mercury. Each reader gives a small value or
None; nothing is guessed, and a missing group (`//`, `////`, `/////KT`) is missing.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal, NamedTuple

from watcher.reports.model import CloudLayer, VisibilityBound
from watcher.reports.weather import CODES, WeatherGroup, parse_weather, split_joined
from watcher.units import (
    HECTOPASCALS_PER_INCH_OF_MERCURY,
    KNOTS_PER_KILOMETRE_PER_HOUR,
    KNOTS_PER_METRE_PER_SECOND,
    METRES_PER_STATUTE_MILE,
)


class Wind(NamedTuple):
    """Direction in degrees from true north, speed and gust in knots."""

    from_deg: int | None
    variable: bool
    kt: float | None
    gust_kt: float | None


@dataclass(frozen=True, slots=True)
class Visibility:
    """Metres; None when missing. `directional`: for one direction only."""

    m: float | None
    bound: VisibilityBound | None
    directional: bool = False
    doubt: str = ""


# One is made for each text, and what follows from it is remembered under it: the same one is found the fastest.
@dataclass(frozen=True, slots=True, eq=False)
class Temperature:
    """Temperature and dew point in degrees Celsius, each (nominal, low, high) or None."""

    temp_c: tuple[float, float, float] | None
    dew_point_c: tuple[float, float, float] | None


@dataclass(frozen=True, slots=True)
class Pressure:
    """QNH in hectopascals; None when missing."""

    hpa: float | None


@dataclass(frozen=True, slots=True)
class Cloud:
    """A cloud group. `vertical_visibility_ft` for VV; `missing`: the group says that it is not known."""

    layer: CloudLayer | None
    vertical_visibility_ft: int | None = None
    missing: bool = False


@dataclass(frozen=True, slots=True)
class Weather:
    """One or more weather groups from one token. `freezes`: any of them does; `doubts`: how the token was read."""

    texts: tuple[str, ...]
    freezes: bool
    doubts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Joined:
    """Weather and other groups that were sent without the blanks between them, taken apart."""

    parts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Recent:
    """Recent weather, without RE; none where it is missing."""

    texts: tuple[str, ...]


WordKind = Literal[
    "cavok", "auto", "nsw", "nil", "correction", "runway", "missing", "weather missing", "trend", "passed"
]


@dataclass(frozen=True, slots=True)
class Word:
    """A word that is no value: CAVOK, AUTO, NSW, a missing group, or something that is passed over knowingly."""

    kind: WordKind


Group = Wind | Visibility | Temperature | Pressure | Cloud | Weather | Joined | Recent | Word

_TOKEN = re.compile(
    r"(?P<slashes>/{1,5}|/{7,})"
    r"|(?P<cloud>(?:FEW|SCT|BKN|OVC|VV|///)(?:\d{3}|///)(?:CB|TCU|///|CI|CC|CS|AC|AS|NS|SC|ST|CU)?)"
    r"|(?P<vis_m>[PM]?\d{4})(?P<vis_dir>NDV|N|NE|E|SE|S|SW|W|NW)?"
    r"|(?P<vis_sm>(?:[MP]?(?:\d{1,2}|\d{1,2}/\d{1,2})|\d \d{1,3}/\d{1,3})SM)"
    r"|(?P<temp>(?P<temp_c>M?\d{1,2}|//|XX|MM?)/(?P<dew_c>M?\d{1,2}|//|XX|MM?)?)"
    r"|(?P<wind>(?P<wind_dir>\d{3}|VRB|///)(?P<wind_kt>P?\d{2,3}|//)(?:G(?P<wind_gust>P?\d{2,3}|//))?"
    r"(?P<wind_unit>KTS?|MPS|KMH))"
    r"|(?P<pressure>[QA](?:\d{3,4}|////)|QNH\d{4}INS)"
    r"|(?P<clear>NSC|NCD|SKC|CLR)"
    r"|(?P<recent>RE[A-Z]{2,8}|RE//)"
    r"|(?P<runway>R(?:\d{2}[LCR]?)?/(?:[\d/]{6}|CLRD[\d/]{2}|SNOCLO|CLRD//)|\d{2}(?:[\d/]{6}|CLRD[\d/]{2})|R?/?SNOCLO)"
    r"|(?P<passed>\d{3}V\d{3}|R\d{2}[LCR]{0,2}(?:/[PMUDN\dVFT/]+)?|WS|INFO:?|[A-LN-Z]|W[\dM/]+/[SH][\d/]+|RWY?\d{0,2}[LCR]?|ALL|"
    r"QFE\d+.*|QBB\d+|\d{3}/\d{2,3}KT)"
    r"|(?P<vis_km>\d{1,2}KM)"
)
_WORDS = {
    "CAVOK": Word("cavok"),
    "AUTO": Word("auto"),
    "NSW": Word("nsw"),
    "NIL": Word("nil"),
    "COR": Word("correction"),
    "RTD": Word("correction"),
    "M": Word("missing"),
    "NDV": Word("passed"),
    "$": Word("passed"),
}
_COLOUR = r"(?:BLU\+?|WHT|GRN|YLO[12]?|AMB|RED)"
_TREND = re.compile(rf"TEMPO|BECMG|NOSIG|INTER|FM\d{{4}}|PROB\d{{2}}|(?:BLACK)?{_COLOUR}{{1,2}}|BLACK")
_CORRECTION = re.compile(r"CC[A-Z]")
_CODE = f"(?:{'|'.join(sorted(CODES))})"
# One group of a token in which weather is joined to others. No part can go on for long, and none is tried twice.
_PART = re.compile(
    r"(?:\d{3}|VRB)\d{2,3}(?:G\d{2,3})?(?:KT|MPS)"
    r"|(?:\d )?[MP]?\d{1,2}(?:/\d{1,2})?SM|\d{4}(?:NDV)?"
    r"|(?:FEW|SCT|BKN|OVC|VV)(?:\d{3}|///)(?:CB|TCU)?"
    r"|M?\d{2}/(?:M?\d{2}|//)|[QA]\d{4}"
    rf"|(?P<weather>(?:[+-]|VC)?{_CODE}{{1,5}}(?:[+-](?!{_CODE}))?)"
    r"|/+"
)
_SPEED_FACTORS = {
    "KT": 1.0,
    "KTS": 1.0,
    "MPS": KNOTS_PER_METRE_PER_SECOND,
    "KMH": KNOTS_PER_KILOMETRE_PER_HOUR,
}


def read_token(token: str) -> Group | None:
    """Return what one token says, None when it cannot be read. ``1 1/2SM`` counts as one token."""
    word = _WORDS.get(token)
    if word is not None:
        return word
    match = _TOKEN.fullmatch(token)
    if match is not None:
        return _read_match(token, match)
    return Word("trend") if _TREND.fullmatch(token) else _read_weather(token)


def _read_match(token: str, match: re.Match[str]) -> Group | None:
    if match["cloud"]:
        return _cloud(token)
    if match["vis_m"]:
        return _metres(match["vis_m"], match["vis_dir"])
    if match["vis_sm"]:
        return _statute_miles(match["vis_sm"])
    if match["temp"]:
        return _temperature(match["temp_c"], match["dew_c"] or "")
    if match["wind"]:
        return _wind(match)
    if match["pressure"]:
        return _pressure(match["pressure"])
    if match["clear"]:
        return Cloud(CloudLayer(match["clear"], None))
    if match["recent"]:
        return _recent(token)
    if match["vis_km"]:
        return Visibility(float(token[:-2]) * 1000, "exact")
    if match["slashes"]:
        # // stands for weather, //// for visibility; longer ones were run together.
        return Word("weather missing" if len(token) == 2 or len(token) > 6 else "passed")
    return Word("runway") if match["runway"] else Word("passed")


def _recent(token: str) -> Group | None:
    if token == "RE//":
        return Recent(())
    return Recent((token[2:],)) if parse_weather(token[2:]) is not None else _read_weather(token)


def _read_weather(token: str) -> Group | None:
    group = parse_weather(token)
    if group is not None:
        return _weather(token, (group,))
    if _CORRECTION.fullmatch(token):
        return Word("correction")
    joined = split_joined(token)
    return _weather(token, joined) if joined else _take_apart(token)


def _take_apart(token: str) -> Joined | None:
    """Return the groups of a token in which weather is joined to others (``-FZRAOVC004``); None if it is no such."""
    parts: list[str] = []
    place, has_weather = 0, False
    while place < len(token):
        match = _PART.match(token, place)
        if match is None:
            return None
        text, place = match[0], match.end()
        if match["weather"]:
            if parse_weather(text) is None and not split_joined(text):
                return None
            has_weather = True
        if text.strip("/"):
            parts.append(text)
    return Joined(tuple(parts)) if has_weather and len(parts) > 1 else None


def _weather(token: str, groups: tuple[WeatherGroup, ...]) -> Weather:
    texts = tuple(group.text for group in groups)
    doubts = [
        f"{token}: weather codes in an order that table 4678 does not have" for group in groups if not group.regular
    ]
    if texts != (token,):
        doubts.append(f"{token}: read as {' '.join(texts)}")
    return Weather(texts, any(group.freezes for group in groups), tuple(doubts))


def _wind(match: re.Match[str]) -> Wind:
    direction, factor = match["wind_dir"], _SPEED_FACTORS[match["wind_unit"]]
    degrees = int(direction) if direction.isdigit() else None
    if degrees is not None and degrees > 360:
        degrees = None
    speed = _speed(match["wind_kt"], factor)
    if speed == 0.0 and degrees == 0:
        degrees = None
    return Wind(degrees, direction == "VRB", speed, _speed(match["wind_gust"], factor))


def _speed(text: str | None, factor: float) -> float | None:
    if text is None or text == "//":
        return None
    return round(float(text.removeprefix("P")) * factor, 1)


def _metres(text: str, direction: str | None) -> Visibility:
    if direction is not None and direction != "NDV":
        return Visibility(float(text), "exact", directional=True)
    if not text.isdigit():
        return Visibility(float(text[1:]), "below" if text.startswith("M") else "at_least")
    if text == "9999":
        return Visibility(10000.0, "at_least")
    if text == "0000":
        return Visibility(50.0, "below")
    return Visibility(float(text), "exact")


def _statute_miles(text: str) -> Visibility | None:
    bound: VisibilityBound = {"M": "below", "P": "at_least"}.get(text[0], "exact")  # type: ignore[assignment]
    whole, _, number = text.strip("MPS").rpartition(" ")
    doubt = ""
    if "/" in number:
        above, below = number.split("/")
        if int(below) == 0:
            return None
        miles = int(above) / int(below)
        if whole:
            miles += int(whole)
        elif len(above) == 2 and miles > 1:
            # 11/2SM has one likely reading: a blank is missing.
            miles = int(above[0]) + int(above[1]) / int(below)
            doubt = "read as a whole number and a fraction without the blank between them"
    else:
        miles = float(number)
        if bound == "exact" and miles >= 10:
            bound = "at_least"
    return Visibility(round(miles * METRES_PER_STATUTE_MILE), bound, doubt=doubt)


def _temperature(first: str, second: str) -> Temperature | None:
    temp, dew = _degrees(first), _degrees(second)
    if temp is None and dew is None and not first.startswith(("/", "X", "M")):
        return None
    return Temperature(temp, dew)


def _degrees(text: str) -> tuple[float, float, float] | None:
    """Return (nominal, low, high); whole degrees are half a degree wide to both sides, M00 and 00 to one."""
    digits = text.removeprefix("M")
    if not digits.isdigit():
        return None
    value = float(digits)
    if text.startswith("M"):
        return (0.0, -0.5, 0.0) if value == 0 else (-value, -value - 0.5, -value + 0.5)
    return (0.0, 0.0, 0.5) if value == 0 else (value, value - 0.5, value + 0.5)


def _pressure(text: str) -> Pressure:
    digits = text.removeprefix("QNH").removesuffix("INS").lstrip("QA")
    if not digits.isdigit():
        return Pressure(None)
    value = float(digits)
    if text.startswith("A") or text.endswith("INS"):
        return Pressure(round(value / 100 * HECTOPASCALS_PER_INCH_OF_MERCURY, 1))
    return Pressure(value)


def _cloud(group: str) -> Cloud:
    amount, base, kind = (group[:2], group[2:5], group[5:]) if group.startswith("VV") else (
        group[:3], group[3:6], group[6:]
    )  # fmt: skip
    height_ft = int(base) * 100 if base.isdigit() else None
    if amount == "VV":
        return Cloud(None, height_ft, missing=height_ft is None)
    if amount == "///" and height_ft is None and kind in {"", "///"}:
        return Cloud(None, missing=True)
    return Cloud(CloudLayer(None if amount == "///" else amount, height_ft, kind if kind.isalpha() else None))
