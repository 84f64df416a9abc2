"""Invented weather of many stations: seeded, with freezing precipitation that comes, changes, goes and falls silent."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from random import Random

FREEZING = ("-FZDZ", "FZDZ", "-FZRA", "FZRA")
HARMLESS = ("BR", "", "-DZ")


@dataclass
class Sky:
    """What falls at one station, from report to report."""

    station: str
    dice: Random
    weather: str = "BR"
    silent_for: int = 0

    def next_report(self, at: datetime) -> str | None:
        """Return the next report; None: the station says nothing this time."""
        if self.silent_for > 0:
            self.silent_for -= 1
            return None
        chance = self.dice.random()
        if chance < 0.3:
            self.weather = self.dice.choice(FREEZING)
        elif chance < 0.5:
            self.weather = self.dice.choice(HARMLESS)
        elif chance < 0.53:
            self.silent_for = self.dice.randint(1, 6)
        return metar(self.station, at, self.weather)


def metar(station: str, at: datetime, weather: str, more: str = "") -> str:
    """Return one report: cold while something freezing falls, mild otherwise."""
    temps = "M02/M03" if "FZ" in weather else "05/M01"
    groups = [station, f"{at:%d%H%M}Z", "00000KT", "3000", weather, "OVC006", temps, "Q1010", more]
    return " ".join(group for group in groups if group)


def skies(stations: list[str], seed: int) -> dict[str, Sky]:
    """Return the skies of stations, each with dice of its own."""
    return {station: Sky(station, Random(f"{seed} {station}")) for station in stations}


def codes(count: int) -> Iterator[str]:
    """Return codes of invented stations."""
    for number in range(count):
        yield f"X{chr(65 + number // 100)}{number % 100:02d}"
