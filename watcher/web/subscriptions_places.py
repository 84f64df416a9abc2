"""The places that a subscription can name: stations found by code, name or country, and the countries there are."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from watcher.reports.station import Station
from watcher.web.house import House

_MOST_FOUND = 12


@dataclass(frozen=True, slots=True)
class Picks:
    """What the list of stations in the form shows: those that are ticked, and others that a text may mean."""

    ticked: tuple[Station, ...]
    others: tuple[Station, ...]
    sought: str


def watched(house: House) -> list[Station]:
    """Return the stations that are watched, by code; where all are, those that have reported."""
    codes = house.watch.codes if house.watch.codes is not None else house.views().keys()
    return [house.watch.stations.get(code) for code in sorted(codes)]


def found(stations: Iterable[Station], text: str) -> list[Station]:
    """Return the stations that a text may mean, the likeliest first: its code, its name, its country."""
    wanted = text.strip().casefold()
    if not wanted:
        return []
    ranked = sorted(
        ((rank, station.code, station) for station in stations if (rank := _rank(station, wanted)) is not None),
        key=lambda item: item[:2],
    )
    return [station for _, _, station in ranked[:_MOST_FOUND]]


def countries(stations: Iterable[Station]) -> list[tuple[str, int]]:
    """Return the countries of stations, each with how many there are in it."""
    return sorted(Counter(item.country for item in stations if item.country is not None).items())


def _rank(station: Station, wanted: str) -> int | None:
    name = (station.name or "").casefold()
    if station.code.casefold().startswith(wanted):
        return 0
    if name.startswith(wanted):
        return 1
    if (station.country or "").casefold() == wanted:
        return 2
    if any(word.startswith(wanted) for word in name.split()):
        return 3
    return 4 if len(wanted) >= 3 and wanted in name else None
