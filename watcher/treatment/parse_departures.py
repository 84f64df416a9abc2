"""From a CSV file of departures to values, forgiving in form and strict in sense. All that is wrong is said at once.

The first line names the columns, in any order; capitals, spaces, hyphens and underscores do not matter, and comma,
semicolon or tab may stand between. Times: ``0540Z``, ``06:40 local`` (zone of the station), ``06:40 Europe/Oslo``, or
with the day ``2026-01-12T05:40Z``. A time without a day is the one that fits the departure.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
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
_DAY = timedelta(days=1)
# A slot or start-up approval without a day may lie a little before off-block, which is then said to be wrong.
_CLOSE = timedelta(hours=2)
_MOST_ROWS = 2000

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
_NAMES = {name: column for column, (others, _) in COLUMNS.items() for name in (column, *others)}
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


def parse_departures(
    text: str, name: str, *, now: datetime, zones: Mapping[str, str], station: str | None = None
) -> tuple[Listed, ...]:
    """Return the departures of a file, in its order.

    Parameters
    ----------
    text
        CSV with a head line.
    name
        Of the file, for messages.
    now
        Aware UTC.
    zones
        IANA time zone of each station that has operations.
    station
        For rows that name none.

    Raises
    ------
    UsageError
        With everything that is wrong, in any row.
    """
    try:
        rows = list(csv.reader(io.StringIO(text.removeprefix("\ufeff")), delimiter=_delimiter(text)))
    except csv.Error as error:
        raise UsageError([Problem(name, f"is no CSV: {error}")]) from error
    if not rows:
        raise UsageError([Problem(name, "is empty", f"the first line names the columns: {', '.join(COLUMNS)}")])
    columns = _head(rows[0], name, station)
    problems: list[Problem] = []
    found: list[Listed] = []
    for number, row in enumerate(rows[1:], 2):
        if not any(cell.strip() for cell in row):
            continue
        cells = {column: row[index].strip() for column, index in columns.items() if index < len(row)}
        line = _Line(f"{name}: line {number}", cells, now, zones, problems)
        listed = line.listed(station)
        if listed is not None:
            found.append(listed)
    problems += _twice(found, name)
    if len(found) > _MOST_ROWS:
        problems.append(Problem(name, f"has {len(found)} departures", f"at most {_MOST_ROWS}"))
    if problems:
        raise UsageError(problems)
    return tuple(found)


def read_departure(
    cells: Mapping[str, str], *, now: datetime, zones: Mapping[str, str], station: str | None = None
) -> Listed:
    """Return one departure of fields that are named as the columns; empty or left out: not known.

    `now`, `zones`, `station`: as for a file. UsageError with everything that is wrong, each at the name of its field.
    """
    problems: list[Problem] = []
    given = {name: cells[name].strip() for name in COLUMNS if name in cells}
    listed = _Line("", given, now, zones, problems).listed(station)
    if listed is None:
        raise UsageError(problems)
    return listed


def read_departures(
    rows: Sequence[Mapping[str, str]], *, now: datetime, zones: Mapping[str, str], station: str | None = None
) -> tuple[Listed, ...]:
    """Return several departures of fields; UsageError with everything that is wrong, such as at ``3.off_block``."""
    problems: list[Problem] = []
    found = []
    for number, cells in enumerate(rows):
        try:
            found.append(read_departure(cells, now=now, zones=zones, station=station))
        except UsageError as error:
            problems += [replace(item, where=f"{number}.{item.where}") for item in error.problems]
    problems += _twice(found, "departures")
    if problems:
        raise UsageError(problems)
    return tuple(found)


def _delimiter(text: str) -> str:
    head = text.split("\n", 1)[0]
    return max(",;\t", key=head.count)


def _head(cells: list[str], name: str, station: str | None) -> dict[str, int]:
    """Return where each column stands; unknown ones are left alone, unless a needed one may be meant."""
    columns: dict[str, int] = {}
    problems = []
    for index, cell in enumerate(cells):
        column = _NAMES.get(re.sub(r"[\s_-]+", "_", cell.strip().casefold()))
        if column is not None and column in columns:
            problems.append(Problem(name, f'the column "{column}" stands twice', "keep one of them"))
        elif column is not None:
            columns[column] = index
    needed = NEEDED if station is not None else (*NEEDED, "station")
    for column in needed:
        if column not in columns:
            others = COLUMNS[column][0]
            problems.append(
                Problem(name, f'the column "{column}" is missing', f"also taken: {', '.join(others)}" if others else "")
            )
    if problems:
        raise UsageError(problems)
    return columns


def _twice(found: list[Listed], name: str) -> list[Problem]:
    seen: set[tuple[str, str]] = set()
    problems = []
    for listed in found:
        key = listed.departure.station, listed.departure.name
        if key in seen:
            problems.append(Problem(name, f'the departure "{key[1]}" stands twice', "give each its own name"))
        seen.add(key)
    return problems


class _Line:
    """One row while it is read."""

    def __init__(
        self, where: str, cells: Mapping[str, str], now: datetime, zones: Mapping[str, str], problems: list[Problem]
    ) -> None:
        self._where, self._cells, self._now, self._zones, self._problems = where, cells, now, zones, problems
        self._zone: str | None = None

    def listed(self, station: str | None) -> Listed | None:
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
                return first_from(text, self._zone, after)
            return last_until(text, self._zone, before or self._now)
        except ValueError as error:
            self._say(column, str(error), TIMES)
            return None

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
        return Listed(_known(departure, progress, at), progress, at)


def _known(departure: Departure, progress: Progress, at: datetime | None) -> Departure:
    parked = departure.parked
    if progress is Progress.CLEAN:
        return replace(departure, contamination=None, parked=replace(parked, treated_at=at))
    if progress is Progress.HANGARED and parked.hangar_exit_at is None:
        return replace(departure, parked=replace(parked, hangar_exit_at=departure.off_block))
    return departure
