"""The values in an IWXXM element: quantities with their units, codes, times, and what a nil says.

Read by local name, so that one reader takes every version. A value that is not there, is nil, or has a unit that is
not known is None; the last is said as a doubt.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from types import MappingProxyType
from typing import Literal
from urllib.parse import unquote

from lxml import etree

from watcher.reports.metar import STATION
from watcher.reports.xml_entries import local
from watcher.units import (
    KNOTS_PER_KILOMETRE_PER_HOUR,
    KNOTS_PER_METRE_PER_SECOND,
    METRES_PER_FOOT,
    METRES_PER_STATUTE_MILE,
)

XLINK_HREF = "{http://www.w3.org/1999/xlink}href"
GML_ID = "{http://www.opengis.net/gml/3.2}id"
_XSI_NIL = "{http://www.w3.org/2001/XMLSchema-instance}nil"
_NUMBER = re.compile(r"([+-]?)(\d{1,7})(?:\.(\d{1,12}))?(?:[eE]0)?")

KNOTS: Mapping[str, float] = MappingProxyType({
    "[kn_i]": 1.0, "kn": 1.0, "kt": 1.0,
    "m/s": KNOTS_PER_METRE_PER_SECOND, "m.s-1": KNOTS_PER_METRE_PER_SECOND,
    "km/h": KNOTS_PER_KILOMETRE_PER_HOUR,
})  # fmt: skip
METRES: Mapping[str, float] = MappingProxyType({"m": 1.0, "km": 1000.0, "[mi_i]": METRES_PER_STATUTE_MILE,
    "[ft_i]": METRES_PER_FOOT, "ft": METRES_PER_FOOT})  # fmt: skip
MILLIMETRES: Mapping[str, float] = MappingProxyType({"mm": 1.0, "cm": 10.0, "m": 1000.0})
CELSIUS: Mapping[str, float] = MappingProxyType({"Cel": 1.0})
HECTOPASCALS: Mapping[str, float] = MappingProxyType({"hPa": 1.0, "mbar": 1.0, "Pa": 0.01})
DEGREES: Mapping[str, float] = MappingProxyType({"deg": 1.0})

Nil = Literal["not-observable", "not-significant", "no-change", "not-detected", "missing"]
_NILS: Mapping[str, Nil] = MappingProxyType({
    "notObservable": "not-observable",
    "nothingOfOperationalSignificance": "not-significant",
    "noSignificantChange": "no-change",
    "notDetectedByAutoSystem": "not-detected",
})  # fmt: skip


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number in the unit that it was asked for. `written`: in its own unit. `decimals`: as written. `minus`: so too.

    `unit`: its own, as written.
    """

    value: float
    written: float
    decimals: int
    minus: bool
    unit: str


@dataclass(slots=True)
class Reading:
    """One report while it is read: the element, what was odd about it, and where its references point."""

    report: etree._Element
    doubts: list[str] = field(default_factory=list)
    _named: dict[str, etree._Element] | None = None

    def target(self, node: etree._Element) -> etree._Element:
        """Return the element itself, or the one in the same report that it refers to."""
        reference = node.get(XLINK_HREF, "")
        if len(node) or not reference.startswith("#"):
            return node
        if self._named is None:
            self._named = {name: each for each in self.report.iter() if (name := each.get(GML_ID)) is not None}
        return self._named.get(reference[1:], node)

    def quantity(self, node: etree._Element | None, units: Mapping[str, float], name: str) -> Quantity | None:
        """Return the number in an element.

        Parameters
        ----------
        node
            The element; None: it is not there.
        units
            The factor of each unit that is known.
        name
            What it is, for the doubt.
        """
        if node is None:
            return None
        text, unit = (node.text or "").strip(), node.get("uom", "")
        if (not text or node.get("nilReason") is not None) and nil_of(node) is not None:
            return None
        match = _NUMBER.fullmatch(text)
        if match is None:
            self.doubts.append(f"{name} {plain(text) or 'without a value'}: no number")
            return None
        factor = units.get(unit)
        if factor is None:
            self.doubts.append(f"{name} {plain(text)} {plain(unit)}: a unit that is not known, left out")
            return None
        written = float(text)
        return Quantity(written * factor, written, len(match[3] or ""), match[1] == "-", unit)


def children(node: etree._Element, name: str) -> Iterator[etree._Element]:
    """Yield the children of that local name."""
    for each in node:
        if local(each.tag) == name:
            yield each


def by_name(node: etree._Element) -> dict[str, list[etree._Element]]:
    """Return the children of an element by local name, each list in the order written."""
    found: dict[str, list[etree._Element]] = {}
    for each in node:
        found.setdefault(local(each.tag), []).append(each)
    return found


def first(found: Mapping[str, list[etree._Element]], name: str) -> etree._Element | None:
    """Return the first child of a name, None without one."""
    each = found.get(name)
    return each[0] if each else None


def inner(node: etree._Element | None, *names: str) -> etree._Element | None:
    """Return the element that a path of local names leads to, None where it ends."""
    for name in names:
        if node is None:
            return None
        node = next(children(node, name), None)
    return node


def is_true(node: etree._Element, attribute: str) -> bool:
    """Return whether an attribute says true; absent is not true."""
    value = node.get(attribute)
    return value is not None and value.strip() in {"true", "1"}


def nil_of(node: etree._Element) -> Nil | None:
    """Return why an element has no value; None where it does not say that it has none."""
    reason = node.get("nilReason")
    if reason is not None:
        return _NILS.get(_last_part(reason), "missing")
    return "missing" if is_true(node, _XSI_NIL) else None


def code_of(node: etree._Element) -> str | None:
    """Return the last part of the address that an element points to: `+SHSN` of `.../306/4678/+SHSN`; None without."""
    return plain(_last_part(node.get(XLINK_HREF, ""))) or None


def time_of(node: etree._Element | None) -> datetime | None:
    """Return the time in an element such as `timePosition`, to the minute, aware UTC; None without a usable one."""
    text = (node.text or "").strip() if node is not None else ""
    day = timedelta()
    if "T24:00" in text:
        text, day = text.replace("T24:00", "T00:00", 1), timedelta(days=1)
    with suppress(ValueError, OverflowError):
        time = datetime.fromisoformat(text)
        if time.tzinfo is not None:
            return time.astimezone(UTC).replace(second=0, microsecond=0) + day
    return None


def station_of(reading: Reading, aerodrome: etree._Element | None) -> str | None:
    """Return the code of an aerodrome: its ICAO location indicator, else a designator of the same form."""
    if aerodrome is None:
        return None
    node = reading.target(aerodrome)
    port = node if local(node.tag) == "AirportHeliport" else inner(node, "AirportHeliport")
    known = inner(port, "timeSlice", "AirportHeliportTimeSlice")
    for name in ("locationIndicatorICAO", "designator"):
        each = inner(known, name)
        code = (each.text or "").strip().upper() if each is not None else ""
        if STATION.fullmatch(code):
            return code
    return None


def plain(text: str) -> str:
    """Return the beginning of a text from outside, fit to stand in a doubt."""
    return "".join(letter if letter.isprintable() else "?" for letter in text[:24])


def _last_part(reference: str) -> str:
    return unquote(reference[-200:].rpartition("/")[2])
