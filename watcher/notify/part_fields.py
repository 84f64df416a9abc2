"""What a template may name of one change and of one station of a digest: each property is a field with its meaning."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from watcher.alerts.model import DigestLine, EventBody, EventType
from watcher.notify.escaping import WebAddress
from watcher.notify.message import Line, Part, age_min, age_text
from watcher.notify.wording import ENDINGS, level_text, span_text
from watcher.rulebook.words import Kind, Level
from watcher.units import clock_z


@dataclass(frozen=True, slots=True)
class PartFields:
    """One change: `first`, or what a loop over `parts` gives."""

    _part: Part
    _most: int | None = None

    @property
    def headline(self) -> str:
        """The one line that stands alone."""
        return self._part.headline

    @property
    def what(self) -> str:
        """What it is, in a word or two: New alert, Level raised, Ended, Reminder: nobody has taken this."""
        return self._part.what

    @property
    def type(self) -> str:
        """Its kind as webhooks name it, such as icing.episode.raised."""
        return self._part.told_as.value

    @property
    def station(self) -> str:
        """Code of the station; empty in a test and a digest."""
        return self._part.body.station

    @property
    def name(self) -> str | None:
        """Name of the station; empty where it has none."""
        return self._part.body.name

    @property
    def place(self) -> str:
        """Code and name of the station."""
        return _place(self._part.body)

    @property
    def flag(self) -> str | None:
        """The flag, such as freezing-precipitation; empty for a blind station."""
        return _word(self._part.body.flag)

    @property
    def level(self) -> str | None:
        """The level: note, prepare, treat, no-time; empty where there is none."""
        return _level_word(self._part.body.level)

    @property
    def previous_level(self) -> str | None:
        """The level before; empty unless it changed."""
        return _level_word(self._part.body.previous_level)

    @property
    def level_text(self) -> str | None:
        """The level with what it was and what it asks for; empty where there is none."""
        return level_text(self._part.body, self._part.told_as)

    @property
    def mark(self) -> str | None:
        """Name of the mark: note, prepare, treat, no-time, blind, over; empty where there is none."""
        return _mark(self._part.body, self._part.told_as)

    @property
    def mark_word(self) -> str | None:
        """The word beside the mark: the level, "was treat" when it is over, blind; empty where there is none."""
        body = self._part.body
        if self.mark == "over":
            return f"was {_level_word(body.level)}"
        return self.mark

    @property
    def kind(self) -> str | None:
        """Either observed or expected; empty where there is neither."""
        return _word(self._part.body.kind)

    @property
    def certainty(self) -> str | None:
        """How the TAF puts it, such as temporary; empty when observed."""
        return _word(self._part.body.certainty)

    @property
    def phase(self) -> str | None:
        """Where the episode stands: forming, present, easing, ended."""
        return _word(self._part.body.phase)

    @property
    def ending(self) -> bool:
        """True when it tells that an episode is over."""
        return self._part.ending

    @property
    def span_label(self) -> str | None:
        """What `span` is: Since, Expected, Lasted, Was expected, Was blind since; empty where no time is known."""
        span = span_text(self._part.body, self._part.told_as)
        return span[0] if span is not None else None

    @property
    def span(self) -> str | None:
        """From when to when, Z first and local second; empty where no time is known."""
        span = span_text(self._part.body, self._part.told_as)
        return span[1] if span is not None else None

    @property
    def brief_span(self) -> str | None:
        """The same for a table: since 0248Z, expected 0200Z-0600Z."""
        body = self._part.body
        return _brief_span(body, self._part.written_at, over=self._part.told_as in ENDINGS)

    @property
    def why(self) -> str:
        """The reason, with the margins."""
        return self._part.body.why

    @property
    def next_step(self) -> str:
        """What to do next, in trade words."""
        return self._part.body.next_step

    @property
    def age(self) -> str:
        """How old the data are, and of when the report is."""
        return age_text(self._part.body, self._part.written_at)

    @property
    def age_min(self) -> int | None:
        """Whole minutes from the report to the writing; empty without a report."""
        return self._part.report_age_min

    @property
    def report(self) -> str | None:
        """The METAR or SPECI as received; empty without one."""
        return self._part.body.raw

    @property
    def taf(self) -> str | None:
        """The TAF as received, where an expectation comes from it."""
        return self._part.body.forecast_raw

    @property
    def taken_by(self) -> str | None:
        """Who has taken the episode in hand; empty while nobody is told to have."""
        return self._part.body.by

    @property
    def note(self) -> str | None:
        """What they said when they took it."""
        return self._part.body.note

    @property
    def take_url(self) -> str | None:
        """Web address of the page on which the episode is taken in hand; empty where there is none."""
        return web_address(self._part.take)

    @property
    def lines(self) -> tuple[Line, ...]:
        """All of it as lines with a label each: what a loop goes through."""
        return self._part.lines

    @property
    def digest(self) -> bool:
        """True in a digest."""
        return self._part.told_as is EventType.DIGEST

    @property
    def stations(self) -> list[StationFields]:
        """The stations of a digest, worst first; those with nothing to say are not in it."""
        return [StationFields(line, self._part.written_at) for line in self._part.body.lines[: self._most]]

    @property
    def more(self) -> int:
        """How many stations of a digest are left out, worst kept; 0 in mail, where all are told."""
        return len(self._part.body.lines) - len(self._part.body.lines[: self._most])


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
        return _place(self._line)

    @property
    def level(self) -> str | None:
        """Level of its worst open alert; empty when it is only blind."""
        return _level_word(self._line.level)

    @property
    def flag(self) -> str | None:
        """Flag of its worst open alert; empty when it is only blind."""
        return _word(self._line.flag)

    @property
    def kind(self) -> str | None:
        """Either observed or expected; empty when it is only blind."""
        return _word(self._line.kind)

    @property
    def mark(self) -> str:
        """Name of the mark: note, prepare, treat, no-time, blind. The word beside it is the same."""
        return _level_word(self._line.level) or "blind"

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
        return _brief_span(self._line, self._now)

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


def web_address(address: str | None) -> str | None:
    """Return an address marked as one of our own; None for None."""
    return WebAddress(address) if address is not None else None


def _mark(body: EventBody, told_as: EventType) -> str | None:
    if told_as is EventType.BLIND:
        return "blind"
    if body.level is None or told_as is EventType.DIGEST:
        return None
    return "over" if told_as in ENDINGS else body.level.word


def _brief_span(about: EventBody | DigestLine, now: datetime, *, over: bool = False) -> str | None:
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


def _place(about: EventBody | DigestLine) -> str:
    return f"{about.station} {about.name}" if about.name else about.station


def _word(value: object) -> str | None:
    return None if value is None else str(value)


def _level_word(level: Level | None) -> str | None:
    return level.word if level is not None else None
