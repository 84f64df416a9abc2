"""What a template may name of one change: each property is a field with its meaning."""

from __future__ import annotations

from dataclasses import dataclass

from watcher.alerts.model import EventBody, EventType
from watcher.notify.digest_fields import ParkedFields, StationFields, brief_span, level_word, place_of, word_of
from watcher.notify.escaping import WebAddress
from watcher.notify.message import Line, Part, age_text
from watcher.notify.wording import ENDINGS, clock_text, level_text, span_text

# In a chat room, which is read at a glance.
MOST_PARKED = 5


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
        """What it is, in a word or two: New alert, Worse, Ended, Reminder: nobody has taken this."""
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
        return place_of(self._part.body)

    @property
    def flag(self) -> str | None:
        """The flag, such as freezing-precipitation; empty for a blind station."""
        return word_of(self._part.body.flag)

    @property
    def level(self) -> str | None:
        """The level: note, prepare, treat, no-time; empty where there is none."""
        return level_word(self._part.body.level)

    @property
    def previous_level(self) -> str | None:
        """The level before; empty unless it changed."""
        return level_word(self._part.body.previous_level)

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
            return f"was {level_word(body.level)}"
        return self.mark

    @property
    def kind(self) -> str | None:
        """Either observed or expected; empty where there is neither."""
        return word_of(self._part.body.kind)

    @property
    def certainty(self) -> str | None:
        """How the TAF puts it, such as temporary; empty when observed."""
        return word_of(self._part.body.certainty)

    @property
    def phase(self) -> str | None:
        """Where the episode stands: forming, present, easing, ended."""
        return word_of(self._part.body.phase)

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
        return brief_span(body, self._part.written_at, over=self._part.told_as in ENDINGS)

    @property
    def aircraft(self) -> str | None:
        """The treated aircraft whose protection it is about; empty in all else."""
        return self._part.body.protection.aircraft if self._part.body.protection is not None else None

    @property
    def clock(self) -> str | None:
        """The ends of its holdover or allowance time, and whose figures they are; empty in all else."""
        return clock_text(self._part.body.protection) if self._part.body.protection is not None else None

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

    @property
    def parked(self) -> list[ParkedFields]:
        """The parked aircraft of a digest, the most likely frosted first; in a chat room five at most."""
        return [ParkedFields(line, self._part.written_at) for line in self._part.body.parked[: self._most_parked]]

    @property
    def parked_more(self) -> int:
        """How many parked aircraft are left out, the most likely frosted kept; 0 in mail, where all are told."""
        return len(self._part.body.parked) - len(self._part.body.parked[: self._most_parked])

    @property
    def _most_parked(self) -> int | None:
        return None if self._most is None else min(self._most, MOST_PARKED)


def web_address(address: str | None) -> str | None:
    """Return an address marked as one of our own; None for None."""
    return WebAddress(address) if address is not None else None


def _mark(body: EventBody, told_as: EventType) -> str | None:
    if told_as is EventType.BLIND:
        return "blind"
    if body.level is None or told_as is EventType.DIGEST:
        return None
    return "over" if told_as in ENDINGS else body.level.word
