"""The morning lists that have been made here lately: kept in memory for one shift, a bounded number of departures."""

from __future__ import annotations

import secrets
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from watcher.treatment.listed import Line, Morning, to_treat
from watcher.treatment.parse_departures import Progress

# A list is of use until its last departure; nobody keeps one longer than a shift and a half.
KEPT = timedelta(hours=18)
MOST_LISTS, MOST_DEPARTURES = 40, 6_000
# The station and the name of a departure.
Key = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Reported:
    """What was reported back of a departure on the page, and when. `off_block`: that it had on the list then."""

    progress: Progress
    at: datetime | None
    off_block: datetime


@dataclass(frozen=True, slots=True)
class Before:
    """What a list said of one departure when it was made before: enough to say what has changed."""

    treat: bool
    call_by: datetime | None
    site: str | None
    verdict: str | None


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a list is made of.

    Parameters
    ----------
    text
        The departures as they were given.
    station
        Of lines that name none.
    training
        Allow tables that are not in force.
    name
        Of the list that it takes the place of; empty: of none.
    reports
        What was reported back on the page; goes before what the text says.
    read_at
        When the text was first read: times without a day are of then, also where the list is made again. None: not yet.
    """

    text: str = ""
    station: str | None = None
    training: bool = False
    name: str = ""
    reports: Mapping[Key, Reported] = field(default_factory=dict)
    read_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Kept:
    """One list. `before`: what it said before it was made again, at `before_at`."""

    id: str
    wanted: Wanted
    by: str
    made: Morning
    until: datetime
    before: Mapping[Key, Before] | None = None
    before_at: datetime | None = None


class Shelf:
    """Keeps lists under names that cannot be guessed. Who has one reads it; the least used go first."""

    def __init__(self, *, most_lists: int = MOST_LISTS, most_departures: int = MOST_DEPARTURES) -> None:
        self._kept: OrderedDict[str, Kept] = OrderedDict()
        self._most_lists, self._most_departures = most_lists, most_departures

    def put(self, wanted: Wanted, made: Morning, by: str) -> Kept:
        """Keep a list, under a new name, or in place of what is kept under the name that is wanted, and return it."""
        old = self._kept.pop(wanted.name, None)
        kept = Kept(
            id=wanted.name if old is not None else secrets.token_urlsafe(12),
            wanted=wanted,
            by=by,
            made=made,
            until=made.made_at + KEPT,
            before=said(old.made) if old is not None else None,
            before_at=old.made.made_at if old is not None else None,
        )
        self._kept[kept.id] = kept
        self._make_room()
        return kept

    def get(self, name: str, now: datetime) -> Kept | None:
        """Return a list; None where it is not kept any more."""
        self._forget(now)
        if name not in self._kept:
            return None
        self._kept.move_to_end(name)
        return self._kept[name]

    def all(self, now: datetime) -> list[Kept]:
        """Return all lists, the newest first."""
        self._forget(now)
        return sorted(self._kept.values(), key=lambda kept: kept.made.made_at, reverse=True)

    def _forget(self, now: datetime) -> None:
        for name in [name for name, kept in self._kept.items() if kept.until <= now]:
            del self._kept[name]

    def _make_room(self) -> None:
        while len(self._kept) > 1 and (
            len(self._kept) > self._most_lists
            or sum(len(kept.made.lines) for kept in self._kept.values()) > self._most_departures
        ):
            self._kept.popitem(last=False)


def said(made: Morning) -> dict[Key, Before]:
    """Return what a list says of each departure, by station and name."""
    return {key_of(line): before_of(line) for line in made.lines}


def key_of(line: Line) -> Key:
    """Return what names a departure through several lists."""
    return line.listed.departure.station, line.listed.departure.name


def before_of(line: Line) -> Before:
    """Return what a list says of one departure."""
    option = line.option if to_treat(line) else None
    verdict = None if option is None or option.verdict is None else option.verdict.value.replace("-", " ")
    return Before(
        treat=to_treat(line),
        call_by=None if option is None else option.call_by,
        site=None if option is None else option.site,
        verdict=verdict,
    )
