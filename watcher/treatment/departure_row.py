"""One departure as its fields are written: read into values, with everything that is wrong said at its field.

Times: ``0540Z``, ``06:40 local`` (zone of the station), ``06:40 Europe/Oslo``, or with the day ``2026-01-12T05:40Z``. A
time without a day is the one that fits the departure.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import TypeVar

from watcher.errors import Problem, UsageError, nearest
from watcher.outlook.night.model import Aircraft
from watcher.treatment.departure_times import TIMES, first_from, last_until
from watcher.treatment.departures import Departure
from watcher.treatment.kinds import Contamination, Place

# A departure without a day lies in the 24 hours that begin so long before now.
_BEHIND = timedelta(hours=4)
# No time of a departure is further away; nothing is counted from one that is.
_NEAR = timedelta(days=60)
# A slot or start-up approval without a day may lie a little before off-block, which is then said to be wrong.
_CLOSE = timedelta(hours=2)

COLUMNS: Mapping[str, tuple[tuple[str, ...], str]] = {
    "flight": (("departure", "callsign", "name"), "what the departure is called, once each"),
    "aircraft": (("profile", "type"), "name of a profile in aircraft.toml"),
    "off_block": (("tobt", "eobt", "std", "sobt"), "off-block time"),
    "station": (("from", "airport"), "code; may be left out where only one station is asked about"),
    "tsat": ((), "start-up approval"),
    "ctot": (("slot",), "slot time"),
    "place": ((), "stand, after-push or pad, where it is fixed"),
    "fluid": ((), "type and mix, such as Type IV 100/0, where it is fixed"),
    "runway": (("rwy",), "such as 19"),
    "contamination": (("deposit",), "seen by a person: frost, snow, ice or deep-snow"),
    "arrived": (("parked",), "since when it stands outside"),
    "hangar_exit": (("out_of_hangar",), "when it leaves the hangar"),
    "fuel_c": (("fuel",), "temperature of the fuel in the wings, °C"),
    "report": (("status", "reported"), "inspected clean 0410Z, treated 0500Z, hangared, cancelled"),
}
NEEDED = ("flight", "aircraft", "off_block")
_REPORT = re.compile(r"(?P<word>[a-z ]+?)\s*(?P<time>\d.*)?", re.IGNORECASE)
Word = TypeVar("Word", bound=StrEnum)


class Progress(StrEnum):
    """What has been reported back of an aircraft."""

    OPEN = "open"
    CLEAN = "inspected clean"
    TREATED = "treated"
    HANGARED = "hangared"
    CANCELLED = "cancelled"


_WORDS = {"clean": Progress.CLEAN, "canceled": Progress.CANCELLED, "hangar": Progress.HANGARED, "": Progress.OPEN}


@dataclass(frozen=True, slots=True)
class Listed:
    """A departure of the list with what has been reported of it."""

    departure: Departure
    progress: Progress = Progress.OPEN
    progress_at: datetime | None = None


def read_departure(
    cells: Mapping[str, str], *, now: datetime, zones: Mapping[str, str], station: str | None = None
) -> Listed:
    """Return one departure of fields that are named as the columns; empty or left out: not known.

    `now`, `zones`, `station`: as for a file. UsageError with everything that is wrong, each at the name of its field.
    """
    problems: list[Problem] = []
    given = {name: cells[name].strip() for name in COLUMNS if name in cells}
    listed = Row("", given, now, zones, problems).listed(station)
    if listed is None:
        raise UsageError(problems)
    return listed


class Row:
    """One departure while it is read. `where`: what stands before the names of its fields in messages; may be empty."""

    def __init__(
        self, where: str, cells: Mapping[str, str], now: datetime, zones: Mapping[str, str], problems: list[Problem]
    ) -> None:
        self._where, self._cells, self._now, self._zones, self._problems = where, cells, now, zones, problems
        self._zone: str | None = None

    def listed(self, station: str | None) -> Listed | None:
        """Return the departure; None where anything is wrong, which is then among the problems.

        `station`: where the row names none.
        """
        before = len(self._problems)
        code = (self._cells.get("station") or station or "").upper()
        if code not in self._zones:
            self._say("station", f'"{code}" has no operations' if code else "is not given", nearest(code, self._zones))
            return None
        self._zone = self._zones[code]
        off_block = self._time("off_block", after=self._now - _BEHIND)
        name, aircraft = self._needed("flight"), self._needed("aircraft")
        if off_block is None or name is None or aircraft is None:
            return None
        departure = Departure(
            name=name,
            station=code,
            aircraft=aircraft,
            tobt=off_block,
            tsat=self._time("tsat", after=off_block - _CLOSE),
            ctot=self._time("ctot", after=off_block - _CLOSE),
            place=self._word("place", Place),
            fluid=self._cells.get("fluid") or None,
            runway=self._cells.get("runway") or None,
            contamination=self._word("contamination", Contamination),
            parked=Aircraft(
                fuel_c=self._number("fuel_c", -60, 60),
                arrived_at=self._time("arrived", before=off_block),
                hangar_exit_at=self._time("hangar_exit", before=off_block),
            ),
        )
        listed = self._reported(departure)
        return listed if len(self._problems) == before else None

    def _say(self, column: str, what: str, remedy: str = "") -> None:
        where = f"{self._where}: {column}" if self._where else column
        self._problems.append(Problem(where, what, remedy))

    def _needed(self, column: str) -> str | None:
        value = " ".join(self._cells.get(column, "").split())
        if not value or not value.isprintable() or len(value) > 60:
            self._say(column, "is not given" if not value else "is too long or not printable")
            return None
        return value

    def _word(self, column: str, kind: type[Word]) -> Word | None:
        text = re.sub(r"[\s_]+", "-", self._cells.get(column, "").casefold())
        if not text:
            return None
        if text not in list(kind):
            self._say(column, f'"{self._cells[column]}" is not known', nearest(text, kind))
            return None
        return kind(text)

    def _number(self, column: str, low: float, high: float) -> float | None:
        text = self._cells.get(column, "")
        if not text:
            return None
        try:
            value = float(text.replace(",", ".").replace("\u2212", "-"))
        except ValueError:
            value = float("nan")
        if not low <= value <= high:
            self._say(column, f'"{text}" is no number from {low:g} to {high:g}')
            return None
        return value

    def _time(self, column: str, *, after: datetime | None = None, before: datetime | None = None) -> datetime | None:
        text = self._cells.get(column, "")
        if not text:
            if column in NEEDED:
                self._say(column, "is not given", TIMES)
            return None
        return self._moment(column, text, after=after, before=before)

    def _moment(
        self, column: str, text: str, *, after: datetime | None = None, before: datetime | None = None
    ) -> datetime | None:
        try:
            if after is not None:
                moment = first_from(text, self._zone, after)
            else:
                moment = last_until(text, self._zone, before or self._now)
        except ValueError as error:
            self._say(column, str(error), TIMES)
            return None
        if abs(moment - self._now) > _NEAR:
            self._say(column, f'"{text}" is more than {_NEAR.days} days from now')
            return None
        return moment

    def _reported(self, departure: Departure) -> Listed:
        """Return the departure with what was reported back, and what that means for what may lie on it."""
        text = self._cells.get("report", "")
        match = _REPORT.fullmatch(text) if text else None
        word = " ".join((match["word"] if match else text).split()).casefold()
        progress = _WORDS.get(word) or next((each for each in Progress if each.value == word), None)
        if progress is None:
            self._say("report", f'"{text}" is not known', f"allowed: {', '.join(each.value for each in Progress)}")
            return Listed(departure)
        said = match["time"] if match else None
        at = None if not said else self._moment("report", said.strip(), before=self._now)
        if progress in {Progress.CLEAN, Progress.TREATED} and at is None:
            if not said:
                self._say("report", f'"{text}" says no time', f"write {progress.value} 0410Z")
            return Listed(departure)
        if at is not None and at > self._now:
            self._say("report", f'"{text}" is not past yet')
        return with_report(Listed(departure), progress, at)


def with_report(listed: Listed, progress: Progress, at: datetime | None) -> Listed:
    """Return a departure with what was reported back of it, and when; that goes before what was reported earlier."""
    return Listed(_known(listed.departure, progress, at), progress, at)


def _known(departure: Departure, progress: Progress, at: datetime | None) -> Departure:
    parked = departure.parked
    if progress is Progress.CLEAN:
        return replace(departure, contamination=None, parked=replace(parked, treated_at=at))
    if progress is Progress.HANGARED and parked.hangar_exit_at is None:
        return replace(departure, parked=replace(parked, hangar_exit_at=departure.off_block))
    return departure
