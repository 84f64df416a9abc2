"""IWXXM wind, visibility, weather and cloud as the groups of a text report, with the exact values beside them.

The text is what people read and what the one text reader decodes; where a value is finer than its group can say (a
wind of 2.6 m/s, a base of 450 m), the exact one stands beside it and is laid over what the text says.

Sources: WMO-No. 306, volume I.1, FM 15 and FM 51 (the groups), code table 1690 (cloud bases in steps of 30 m, each
reported as 100 ft); IWXXM code lists 49-2 and common/nil.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeAlias

from lxml import etree

from watcher.reports.iwxxm_values import (
    DEGREES,
    KNOTS,
    METRES,
    Quantity,
    Reading,
    by_name,
    children,
    code_of,
    first,
    inner,
    is_true,
    nil_of,
    plain,
)
from watcher.reports.model import CloudLayer, VisibilityBound
from watcher.reports.weather import may_freeze, parse_weather, split_joined
from watcher.units import METRES_PER_FOOT

Exact = dict[str, object]
Found: TypeAlias = "Mapping[str, list[etree._Element]]"  # noqa: SLF001 - its only name

_SPEED_UNITS = {"[kn_i]": "KT", "kn": "KT", "kt": "KT", "m/s": "MPS", "m.s-1": "MPS", "km/h": "KMH"}
_BOUNDS: Mapping[str, tuple[str, VisibilityBound]] = {"ABOVE": ("P", "at_least"), "BELOW": ("M", "below")}
_COMPASS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
_AMOUNTS = frozenset({"FEW", "SCT", "BKN", "OVC"})
_CLEAR = frozenset({"NSC", "NCD", "SKC", "CLR"})
_KINDS = frozenset({"CB", "TCU"})
_FARTHEST_M = 10_000
_CLOUD_STEP_M, _CLOUD_STEP_FT = 30, 100
_RUNWAY = re.compile(r"[0-9]{2}[LCR]{0,2}")


@dataclass(slots=True)
class Groups:
    """The groups so far and the exact values, by the field of the decoded report. `may_freeze`: weather unread."""

    words: list[str] = field(default_factory=list)
    exact: Exact = field(default_factory=dict)
    may_freeze: bool = False


def add_wind(groups: Groups, wind: etree._Element | None, reading: Reading) -> None:
    """Add a `surfaceWind`, with its variation where it has one."""
    if wind is None:
        return
    if nil_of(wind) is not None or not len(wind):
        groups.words.append("/////KT")
        return
    found = by_name(wind[0])
    direction = reading.quantity(first(found, "meanWindDirection"), DEGREES, "wind direction")
    speed = reading.quantity(first(found, "meanWindSpeed"), KNOTS, "wind speed")
    gust = reading.quantity(first(found, "windGustSpeed"), KNOTS, "gust")
    unit, steps = _speed_unit(speed, gust)
    words = ["VRB" if direction is None and is_true(wind[0], "variableWindDirection") else _degrees(direction)]
    words.append(_above(found, "meanWindSpeedOperator") + _speed(speed, steps) if speed is not None else "//")
    if gust is not None:
        words.append("G" + _above(found, "windGustSpeedOperator") + _speed(gust, steps))
    groups.words.append("".join([*words, unit]))
    if "extremeClockwiseWindDirection" in found:
        _add_variation(groups, found, reading)
    if speed is not None:
        groups.exact["wind_kt"] = round(speed.value, 1)
    if gust is not None:
        groups.exact["gust_kt"] = round(gust.value, 1)


def _add_variation(groups: Groups, found: Found, reading: Reading) -> None:
    ends = [
        reading.quantity(first(found, f"extreme{name}WindDirection"), DEGREES, "extreme wind direction")
        for name in ("CounterClockwise", "Clockwise")
    ]
    if None not in ends:
        groups.words.append("V".join(map(_degrees, ends)))


def _degrees(direction: Quantity | None) -> str:
    return "///" if direction is None else f"{round(direction.value) % 1000:03d}"


def _above(found: Found, name: str) -> str:
    operator = first(found, name)
    return "P" if operator is not None and (operator.text or "").strip() == "ABOVE" else ""


def _speed_unit(*speeds: Quantity | None) -> tuple[str, bool]:
    """Return the unit to write, and whether it is the one that all the speeds are written in, in whole numbers."""
    units = {_SPEED_UNITS[speed.unit] for speed in speeds if speed is not None}
    whole = all(speed is None or speed.written == int(speed.written) for speed in speeds)
    return (units.pop(), True) if whole and len(units) == 1 else ("KT", False)


def _speed(speed: Quantity, as_written: bool) -> str:
    return f"{min(round(speed.written if as_written else speed.value), 999):02d}"


def add_visibility(groups: Groups, visibility: Found, reading: Reading, *, nil: bool = False) -> None:
    """Add a prevailing visibility with its operator, and the lowest one with its direction where there is one.

    Parameters
    ----------
    visibility
        The elements of `AerodromeHorizontalVisibility`, or of a forecast, by local name.
    nil
        The whole of it is missing.
    """
    node = first(visibility, "prevailingVisibility")
    if node is None and not nil:
        return
    prevailing = reading.quantity(node, METRES, "visibility")
    if prevailing is None:
        groups.words.append("////")
        return
    operator = first(visibility, "prevailingVisibilityOperator")
    sign, bound = _BOUNDS.get((operator.text or "").strip() if operator is not None else "", ("", "exact"))
    metres = round(prevailing.value)
    if metres >= _FARTHEST_M and bound != "below":
        groups.words.append("9999")
    elif metres <= 0:
        groups.words.append("0000")
    else:
        groups.words.append(f"{sign}{min(metres, _FARTHEST_M - 1):04d}")
        groups.exact |= {"visibility_m": float(metres), "visibility_bound": bound}
    if "minimumVisibility" in visibility:
        _add_lowest(groups, visibility, reading)


def _add_lowest(groups: Groups, visibility: Found, reading: Reading) -> None:
    lowest = reading.quantity(first(visibility, "minimumVisibility"), METRES, "lowest visibility")
    direction = reading.quantity(first(visibility, "minimumVisibilityDirection"), DEGREES, "its direction")
    if lowest is not None and 0 <= lowest.value < _FARTHEST_M:
        point = _COMPASS[round(direction.value / 45) % 8] if direction is not None else ""
        groups.words.append(f"{round(lowest.value):04d}{point}")


def add_weather(groups: Groups, weather: Sequence[etree._Element], reading: Reading, *, none: str = "") -> None:
    """Add weather groups.

    Parameters
    ----------
    weather
        The elements, in their order.
    none
        What stands for "nothing of significance": NSW in a forecast, nothing in a report.
    """
    for node in weather:
        nil = nil_of(node)
        if nil == "not-significant":
            groups.words += [none] if none else []
        elif nil is not None:
            groups.words.append("//")
        else:
            _add_weather_code(groups, code_of(node), reading)


def _add_weather_code(groups: Groups, code: str | None, reading: Reading) -> None:
    if code is not None and (parse_weather(code) is not None or split_joined(code)):
        groups.words.append(code)
    elif code is None or may_freeze(code.upper()):
        groups.may_freeze = True
        reading.doubts.append(f"weather {code or 'without a code'}: not understood, and it may mean something freezing")
    else:
        reading.doubts.append(f"weather {code}: not understood")


def add_cloud(groups: Groups, cloud: etree._Element | None, reading: Reading) -> None:
    """Add a `cloud`: its layers, or the vertical visibility, or what its nil says."""
    if cloud is None:
        return
    nil = nil_of(cloud)
    if nil is not None or not len(cloud):
        groups.words.append({"not-significant": "NSC", "not-detected": "NCD"}.get(nil or "", "//////"))
        return
    found = by_name(cloud[0])
    upward = first(found, "verticalVisibility")
    if upward is not None:
        feet = _feet(reading.quantity(upward, METRES, "vertical visibility"))
        groups.words.append(f"VV{_hundreds(feet)}")
        groups.exact |= {} if feet is None else {"vertical_visibility_ft": feet}
    layers = [_layer(groups, each, reading) for each in found.get("layer", ())]
    if layers:
        groups.exact["clouds"] = tuple(layer for layer in layers if layer is not None)


def _layer(groups: Groups, node: etree._Element, reading: Reading) -> CloudLayer | None:
    nil = nil_of(node)
    if nil is not None or not len(node):
        word = {"not-significant": "NSC", "not-detected": "NCD"}.get(nil or "")
        groups.words.append(word or "//////")
        return CloudLayer(word, None) if word is not None else None
    found = by_name(node[0])
    amount, base, kind = (first(found, name) for name in ("amount", "base", "cloudType"))
    code = _code(amount, _AMOUNTS | _CLEAR, "cloud amount", reading)
    if code in _CLEAR:
        groups.words.append(str(code))
        return CloudLayer(code, None)
    feet = _feet(reading.quantity(base, METRES, "cloud base"))
    type_ = _code(kind, _KINDS, "cloud type", reading)
    unseen = "///" if kind is not None and type_ is None else ""
    groups.words.append(f"{code or '///'}{_hundreds(feet)}{type_ or unseen}")
    return None if (code, feet, type_) == (None, None, None) else CloudLayer(code, feet, type_)


def _code(node: etree._Element | None, allowed: frozenset[str], name: str, reading: Reading) -> str | None:
    if node is None or nil_of(node) is not None:
        return None
    code = code_of(node) or ""
    if code in allowed:
        return code
    reading.doubts.append(f"{name} {plain(code) or 'without a code'}: not understood")
    return None


def _feet(height: Quantity | None) -> int | None:
    """Return a height in feet; one in whole steps of 30 m was reported as so many hundred feet (code table 1690)."""
    if height is None or height.value < 0:
        return None
    if height.unit == "m" and height.written % _CLOUD_STEP_M == 0:
        return round(height.written / _CLOUD_STEP_M) * _CLOUD_STEP_FT
    return round(height.value / METRES_PER_FOOT)


def _hundreds(feet: int | None) -> str:
    return "///" if feet is None else f"{min(round(feet / _CLOUD_STEP_FT), 999):03d}"


def add_conditions(groups: Groups, node: etree._Element, reading: Reading, *, none: str) -> None:
    """Add what a forecast of a METAR's trend or of a TAF names: wind, visibility, weather, cloud, or CAVOK."""
    found = by_name(node)
    add_wind(groups, first(found, "surfaceWind"), reading)
    if is_true(node, "cloudAndVisibilityOK"):
        groups.words.append("CAVOK")
        return
    add_visibility(groups, found, reading)
    add_weather(groups, found.get("weather", ()), reading, none=none)
    add_cloud(groups, first(found, "cloud"), reading)


def runway_of(node: etree._Element, reading: Reading) -> str | None:
    """Return the designator of the runway that an element names, such as 09L; None where it names none."""
    runway = inner(node, "runway")
    if runway is None:
        return None
    target = reading.target(runway)
    direction = inner(target, "RunwayDirection")
    slice_ = inner(direction if direction is not None else target, "timeSlice", "RunwayDirectionTimeSlice")
    designator = inner(slice_, "designator")
    text = (designator.text or "").strip().upper() if designator is not None else ""
    return text if _RUNWAY.fullmatch(text) else None


def names(nodes: Iterable[etree._Element], name: str) -> list[etree._Element]:
    """Return the grandchildren of a local name: what stands inside property elements."""
    return [each for node in nodes for each in children(node, name)]
