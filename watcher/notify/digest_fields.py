"""What a template may name of one station and one parked aircraft of a digest: each property with its meaning."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from watcher.alerts.model import DigestLine, EventBody, ParkedLine
from watcher.alerts.parked_words import LIKELY
from watcher.notify.message import age_min, age_text
from watcher.rulebook.words import Kind, Level
from watcher.units import clock_z, percent


@dataclass(frozen=True, slots=True)
class ParkedFields:
    """One parked aircraft of a digest: what a loop over `part.parked` gives."""

    _line: ParkedLine
    _now: datetime

    @property
    def name(self) -> str:
        """Name of the aircraft in the settings."""
        return self._line.name

    @property
    def station(self) -> str:
        """Code of the station where it stands."""
        return self._line.station

    @property
    def departs(self) -> str:
        """Its next departure, Z first and local second."""
        return self._line.departs

    @property
    def chance(self) -> str:
        """How likely anything frozen is on it at the departure: 78 %, under 1 %, not known."""
        return percent(self._line.chance) if self._line.chance is not None else "not known"

    @property
    def likely(self) -> bool:
        """True when that is at least as likely as not."""
        return self._line.chance is not None and self._line.chance >= LIKELY

    @property
    def outcome(self) -> str:
        """How likely what is on it, from when frost forms and when a deposit is gone; or what is not known."""
        return self._line.outcome

    @property
    def headline(self) -> str:
        """The one line that stands alone: name, station, departure and outcome."""
        return self._line.headline

    @property
    def why(self) -> str:
        """The chances one by one, the temperature of the skin, and what they are computed from."""
        return self._line.why

    @property
    def next_step(self) -> str:
        """What to do next, in trade words."""
        return self._line.next_step

    @property
    def age(self) -> str:
        """How old the data are, and of when the report is."""
        return age_text(self._line, self._now)

    @property
    def age_min(self) -> int | None:
        """Whole minutes from the report to the writing; empty without a report."""
        return age_min(self._line.observed_at, self._now)


@dataclass(frozen=True, slots=True)
class StationFields:
    """One station of a digest: what a loop over `part.stations` gives."""

    _line: DigestLine
    _now: datetime

    @property
    def station(self) -> str:
        """Code of the station."""
        return self._line.station

    @property
    def name(self) -> str | None:
        """Name of the station; empty where it has none."""
        return self._line.name

    @property
    def place(self) -> str:
        """Code and name of the station."""
        return place_of(self._line)

    @property
    def level(self) -> str | None:
        """Level of its worst open alert; empty when it is only blind."""
        return level_word(self._line.level)

    @property
    def flag(self) -> str | None:
        """Flag of its worst open alert; empty when it is only blind."""
        return word_of(self._line.flag)

    @property
    def kind(self) -> str | None:
        """Either observed or expected; empty when it is only blind."""
        return word_of(self._line.kind)

    @property
    def mark(self) -> str:
        """Name of the mark: note, prepare, treat, no-time, blind. The word beside it is the same."""
        return level_word(self._line.level) or "blind"

    @property
    def headline(self) -> str:
        """The one line about its worst open alert, or that it is blind."""
        return self._line.headline

    @property
    def why(self) -> str:
        """The reason, with the margins."""
        return self._line.why

    @property
    def next_step(self) -> str:
        """What to do next, in trade words."""
        return self._line.next_step

    @property
    def brief_span(self) -> str | None:
        """From when to when: since 0248Z, expected 0200Z-0600Z."""
        return brief_span(self._line, self._now)

    @property
    def age(self) -> str:
        """How old the data are, and of when the report is."""
        return age_text(self._line, self._now)

    @property
    def age_min(self) -> int | None:
        """Whole minutes from the report to the writing; empty without a report."""
        return age_min(self._line.observed_at, self._now)

    @property
    def report(self) -> str | None:
        """The METAR or SPECI as received; empty without one."""
        return self._line.raw

    @property
    def also(self) -> tuple[str, ...]:
        """Headlines of its other open alerts, worst first: what a loop goes through."""
        return self._line.also


def brief_span(about: EventBody | DigestLine, now: datetime, *, over: bool = False) -> str | None:
    """Return from when to when, short enough for a table; None where no time is known."""
    if about.begins_at is None:
        return None
    begins = _brief(about.begins_at, now)
    until = f"-{_brief(about.until, about.begins_at)}" if about.until is not None else ""
    if over:
        return f"{begins}{until}"
    return f"expected {begins}{until}" if about.kind is Kind.EXPECTED else f"since {begins}"


def _brief(moment: datetime, now: datetime) -> str:
    """Return the time of day, with the day of the month only where it is another one, as a report writes it."""
    return clock_z(moment) if moment.date() == now.date() else f"{moment.day:02d}/{clock_z(moment)}"


def place_of(about: EventBody | DigestLine) -> str:
    """Return code and name of the station."""
    return f"{about.station} {about.name}" if about.name else about.station


def word_of(value: object) -> str | None:
    """Return a value as its word; None for None."""
    return None if value is None else str(value)


def level_word(level: Level | None) -> str | None:
    """Return the word of a level; None for None."""
    return level.word if level is not None else None
