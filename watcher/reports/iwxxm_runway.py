"""The runway groups of an IWXXM report as text: visual range, wind shear, state, and the sea.

The state of runways stands in 3.0, 2021-2 and 2023-1; 2025-2 has none. Sources: WMO-No. 306, volume I.1, FM 15 and code
tables 0919, 0519, 1079 and 0366 (deposit, extent, depth, friction); IWXXM code lists 0-20-086, -087 and -089.
"""

from __future__ import annotations

from lxml import etree

from watcher.reports.iwxxm_groups import Found, Groups, names, runway_of
from watcher.reports.iwxxm_values import CELSIUS, METRES, MILLIMETRES, Quantity, Reading, by_name, code_of, first
from watcher.reports.iwxxm_values import is_true as says

_TENDENCIES = {"UPWARD": "U", "DOWNWARD": "D", "NO_CHANGE": "N"}
_SIGNS = {"ABOVE": "P", "BELOW": "M"}
_DEEP_MM = {100: 92, 150: 93, 200: 94, 250: 95, 300: 96, 350: 97, 400: 98}
_DEEPEST_MM = 90
_ALL_RUNWAYS, _BEFORE = "88", "99"


def add_visual_ranges(groups: Groups, found: Found, reading: Reading) -> None:
    """Add the groups such as R12/1000U."""
    for each in names(found.get("rvr", ()), "AerodromeRunwayVisualRange"):
        runway, parts = runway_of(each, reading), by_name(each)
        mean = reading.quantity(first(parts, "meanRVR"), METRES, "runway visual range")
        if runway is None or mean is None or not 0 <= mean.value < 10_000:
            continue
        operator = first(parts, "meanRVROperator")
        sign = _SIGNS.get((operator.text or "").strip(), "") if operator is not None else ""
        groups.words.append(
            f"R{runway}/{sign}{round(mean.value):04d}{_TENDENCIES.get(each.get('pastTendency', ''), '')}"
        )


def add_wind_shear(groups: Groups, found: Found, reading: Reading) -> None:
    """Add the groups WS R09 or WS ALL RWY."""
    for each in names(found.get("windShear", ()), "AerodromeWindShear"):
        if says(each, "allRunways"):
            groups.words.append("WS ALL RWY")
        elif (runway := runway_of(each, reading)) is not None:
            groups.words.append(f"WS R{runway}")


def add_sea(groups: Groups, found: Found, reading: Reading) -> None:
    """Add a group such as W03/S4 or W///H52: temperature of the sea, and its state or height of its waves in dm."""
    for each in names(found.get("seaCondition", ()), "AerodromeSeaCondition"):
        parts = by_name(each)
        warmth = reading.quantity(first(parts, "seaSurfaceTemperature"), CELSIUS, "sea temperature")
        waves = reading.quantity(first(parts, "significantWaveHeight"), METRES, "height of waves")
        state = first(parts, "seaState")
        degrees = "//" if warmth is None else f"{'M' if warmth.minus else ''}{abs(round(warmth.value)):02d}"
        code = code_of(state) if state is not None else None
        sea = f"S{code}" if code is not None and len(code) == 1 and code.isdecimal() and code.isascii() else "S/"
        if state is None:
            sea = "H///" if waves is None else f"H{round(waves.value * 10)}"
        groups.words.append(f"W{degrees}/{sea}")


def add_runway_states(groups: Groups, found: Found, reading: Reading) -> None:
    """Add the groups such as R04L/710166, R88/CLRD65 or R/SNOCLO."""
    for node in found.get("runwayState", ()):
        if node.get("nilReason", "").lower().endswith("snoclo"):
            groups.words.append("R/SNOCLO")
    for each in names(found.get("runwayState", ()), "AerodromeRunwayState"):
        if says(each, "snowClosure"):
            groups.words.append("R/SNOCLO")
            continue
        runway = _ALL_RUNWAYS if says(each, "allRunways") else runway_of(each, reading)
        runway = _BEFORE if runway is None and says(each, "fromPreviousReport") else runway
        if runway is not None:
            groups.words.append(f"R{runway}/{_state(each, reading)}")


def _state(node: etree._Element, reading: Reading) -> str:
    parts = by_name(node)
    friction = _digits(parts, "estimatedSurfaceFrictionOrBrakingAction", 2)
    if says(node, "cleared"):
        return f"CLRD{friction}"
    depth = reading.quantity(first(parts, "depthOfDeposit"), MILLIMETRES, "depth on the runway")
    return f"{_digits(parts, 'depositType', 1)}{_digits(parts, 'contamination', 1)}{_depth(depth)}{friction}"


def _digits(parts: Found, name: str, count: int) -> str:
    node = first(parts, name)
    code = code_of(node) if node is not None else None
    if code is None or len(code) > count or not (code.isdecimal() and code.isascii()):
        return "/" * count
    return code.zfill(count)


def _depth(depth: Quantity | None) -> str:
    if depth is None:
        return "//"
    millimetres = round(depth.value)
    if 0 <= millimetres <= _DEEPEST_MM:
        return f"{millimetres:02d}"
    return str(_DEEP_MM.get(millimetres, "//"))
