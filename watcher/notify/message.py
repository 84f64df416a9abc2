"""What a message says: for people, line by line, and for programs. Every channel carries the same."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from watcher.alerts.model import DigestLine, Event, EventBody, EventType, ParkedLine, SubjectKind
from watcher.alerts.outbox import Instead, Item
from watcher.links import LinkMaker
from watcher.notify.cleaning import cleaned
from watcher.notify.merging import merged
from watcher.notify.wording import (
    ENDINGS,
    OF_SERVICE,
    TOLD_AS_WORDS,
    clock_text,
    instead_text,
    level_text,
    plain,
    span_text,
    storm_headline,
    when,
)
from watcher.rulebook.words import Level
from watcher.units import clock_z, duration_text

CAUTION = (
    "Planning aid. The commander's check of the aircraft, the operator's approved programme "
    "and this season's official tables decide."
)
_TEST_VALID_FOR = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Line:
    """One thing that a message says to people, with its label."""

    label: str
    text: str


@dataclass(frozen=True, slots=True)
class Links:
    """Where the reader can go, each None where there is no public address.

    `board`: the service. `stop`: ends the messages of this destination. `take`: takes an episode in hand, by its id.
    """

    board: str | None = None
    stop: str | None = None
    take: tuple[tuple[str, str], ...] = ()

    def take_of(self, episode: str | None) -> str | None:
        """Return the page on which an episode is taken in hand."""
        return next((url for known, url in self.take if known == episode), None)


def links_for(destination: str, items: Sequence[Item], maker: LinkMaker | None, board: str | None) -> Links:
    """Return where the reader of a message can go.

    Parameters
    ----------
    destination, items
        Whose message it is, and what it tells.
    maker
        Makes signed links; None: no page answers them.
    board
        Where people reach the service, None without a public address.
    """
    board = plain(board) if board is not None else None
    if maker is None:
        return Links(board=board)
    episodes = dict.fromkeys(item.event.subject_id for item in items if item.event.subject_kind is SubjectKind.EPISODE)
    take = tuple((episode, maker.take(episode, destination)) for episode in episodes)
    return Links(board=board, stop=maker.stop(destination), take=take)


@dataclass(frozen=True, slots=True)
class Part:
    """One event as one destination is told of it. No text in it holds a control character.

    `event`: None in a test. `subject`: the id of the episode, the station, or the digest. `episode`: None where it is
    about something else. `written_at`: the present that ages are counted to. `instead`: it was meant for another.
    """

    told_as: EventType
    event: str | None
    subject: str
    episode: str | None
    happened_at: datetime
    written_at: datetime
    body: EventBody
    take: str | None = None
    instead: Instead | None = None

    @property
    def headline(self) -> str:
        """The one line that stands alone.

        A reminder says that it is one, since its line has been read before; what was meant for another says for whom.
        """
        line = f"Reminder: {self.body.headline}" if self.told_as is EventType.REMINDER else self.body.headline
        return f"For {plain(self.instead.meant_for)}: {line}" if self.instead is not None else line

    @property
    def what(self) -> str:
        """What it is, in a word or two."""
        return TOLD_AS_WORDS[self.told_as]

    @property
    def ending(self) -> bool:
        """Whether it tells that an episode is over."""
        return self.told_as in ENDINGS

    @property
    def report_age_min(self) -> int | None:
        """Whole minutes from the observation to the writing; None without a report."""
        return age_min(self.body.observed_at, self.written_at)

    @property
    def lines(self) -> tuple[Line, ...]:
        """What people read, line by line."""
        return tuple(_lines(self))


@dataclass(frozen=True, slots=True)
class Message:
    """One message to one destination: one event, or several that came up together, worst first.

    `id`: the delivery's, the same in every attempt. `valid_until`: when it stops being worth reading.
    """

    id: str
    parts: tuple[Part, ...]
    written_at: datetime
    valid_until: datetime
    links: Links = Links()

    @property
    def first(self) -> Part:
        """The worst of what is told."""
        return self.parts[0]

    @property
    def several(self) -> bool:
        """Whether it tells of more than one event."""
        return len(self.parts) > 1

    @property
    def headline(self) -> str:
        """The one line that stands alone."""
        if not self.several:
            return self.first.headline
        line = storm_headline([(part.told_as, part.body) for part in self.parts])
        names = {part.instead.meant_for if part.instead is not None else None for part in self.parts}
        name = names.pop() if len(names) == 1 else None
        return f"For {plain(name)}: {line}" if name is not None else line

    @property
    def instead(self) -> str | None:
        """For whom it was meant and why it comes to a fallback, in a sentence for each reason; None for all others."""
        said = dict.fromkeys(instead_text(part.instead) for part in self.parts if part.instead is not None)
        return " ".join(said) or None

    @property
    def what(self) -> str:
        """What the message is, in a few words."""
        return f"{len(self.parts)} changes together" if self.several else self.first.what

    @property
    def subjects(self) -> tuple[str, ...]:
        """The ids of what it is about, each once."""
        return tuple(dict.fromkeys(part.subject for part in self.parts))


def message_of(
    delivery_id: str, items: Sequence[Item], *, now: datetime, valid_until: datetime, links: Links | None = None
) -> Message:
    """Return what a destination is told.

    Parameters
    ----------
    delivery_id
        The name of the message.
    items
        The events in the order in which they came up. Several of one subject are told as one: how it now stands.
    now
        The present; the age of the data is counted to it.
    valid_until
        When the message stops being worth reading.
    links
        Where its reader can go.
    """
    links = links or Links()
    parts = [_part(item, now, links) for item in merged(items)]
    # Python's sort keeps the order of what is equally bad.
    parts.sort(key=_urgency)
    return Message(delivery_id, tuple(parts), now, valid_until, links)


def part_of(event: Event, now: datetime) -> Part:
    """Return an event as it is told by itself, with no link of a destination; ages are counted to `now`."""
    return _part(Item(event, event.type, event.body.level, event.subject_id), now, Links())


def trial_message(destination: str, now: datetime, *, delivery_id: str, links: Links) -> Message:
    """Return a message that says it is a test and that nothing has happened."""
    name = plain(destination)
    body = EventBody(
        station="",
        name=None,
        zone=None,
        headline=f"Test message to {name}: nothing has happened",
        why=f"Somebody asked for a test. Whoever reads this gets the alerts that go to {name}.",
        next_step="Nothing to do.",
    )
    part = Part(EventType.TEST, None, f"test-{name}", None, now, now, body)
    return Message(delivery_id, (part,), now, now + _TEST_VALID_FOR, links)


def age_min(observed_at: datetime | None, now: datetime) -> int | None:
    """Return whole minutes from an observation to now; None without one."""
    return None if observed_at is None else max(0, int((now - observed_at).total_seconds() // 60))


def _urgency(part: Part) -> tuple[bool, int, str]:
    level = part.body.level if part.body.level is not None else Level.NOTE
    over = part.told_as in ENDINGS or part.told_as in {EventType.SEEING, EventType.WELL}
    return over, -level, part.body.station


def _part(item: Item, now: datetime, links: Links) -> Part:
    event = item.event
    body = cleaned(event.body)
    episode = event.subject_id if event.subject_kind is SubjectKind.EPISODE else None
    takes = episode is not None and item.told_as not in ENDINGS and body.by is None
    take = links.take_of(episode) if takes else None
    return Part(item.told_as, event.id, item.subject_id, episode, event.at, now, body, take, item.instead)


def _lines(part: Part) -> Iterator[Line]:
    """Yield the lines in the order in which they are asked for: what to do, why, since when, how old, what exactly."""
    body, told_as = part.body, part.told_as
    yield Line("Next step", body.next_step)
    yield Line("Why", body.why)
    if body.protection is not None:
        yield Line("Aircraft", f"{body.protection.aircraft} ({body.protection.id})")
        yield Line("Clock", clock_text(body.protection))
    if body.by is not None:
        yield Line("Taken by", body.by)
    if body.note:
        yield Line("Note", body.note)
    span = span_text(body, told_as)
    if span is not None:
        yield Line(*span)
    if told_as not in {EventType.TEST, EventType.DIGEST} | OF_SERVICE:
        yield Line("Age of data", age_text(body, part.written_at))
    if body.raw is not None:
        yield Line("Report", body.raw)
    if body.forecast_raw is not None:
        yield Line("TAF", body.forecast_raw)
    level = level_text(body, told_as)
    if level is not None:
        yield Line("Level", level)
    if body.flag is not None:
        yield Line("Flag", body.flag.value)
    if body.station:
        yield Line("Station", f"{body.station} {body.name}" if body.name else body.station)


def age_text(body: EventBody | DigestLine | ParkedLine, now: datetime) -> str:
    """Return how old the data are, in words."""
    age = age_min(body.observed_at, now)
    if body.observed_at is None or age is None:
        has_taf = isinstance(body, EventBody) and body.forecast_raw is not None
        return "no report at hand, the TAF only" if has_taf else "no report at hand"
    return f"{duration_text(timedelta(minutes=age))} at {clock_z(now)}; report of {when(body.observed_at, body.zone)}"
