"""What is owed to whom, what the store hands to a sender of it, and what a sender gives back."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Literal

from watcher.alerts.model import Event, EventType
from watcher.rulebook.words import Kind, Level, NoTime

Outcome = Literal["sent", "retry", "dead", "release"]


class Detour(StrEnum):
    """Why a message goes to the fallback of the destination that it was meant for."""

    SILENT = "silent"
    REFUSED = "refused"
    OFF = "off"


@dataclass(frozen=True, slots=True)
class Instead:
    """That a message goes to another destination than it was meant for, and why."""

    meant_for: str
    why: Detour


@dataclass(frozen=True, slots=True)
class Told:
    """What a destination was last told of a subject (an episode, or a station's blindness).

    `seq`: number of the subject's event that was told. `at`: when that was put into the outbox. `repeat`: how many
    reminders of that event went before. `instead`: it was told in the place of another. `no_time`: which kind of
    no-time was told; None: none, or it is not known any more. `begins_at`: from when it was told to be expected; None:
    it was not, or that is not known any more.
    """

    destination: str
    subject_id: str
    type: EventType
    level: Level | None
    kind: Kind | None
    seq: int
    at: datetime
    repeat: int = 0
    instead: Instead | None = None
    no_time: NoTime | None = None
    begins_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class NewDelivery:
    """One event owed to one destination.

    `told_as`: how the event arrives there (an episode whose level is crossed upwards arrives as opened).
    `group_within`: it may share a message with others that come up in so long a time; None: it stands alone, and
    messages of one destination about one `subject_id` are sent in order. `repeat`: which reminder of the event it is.
    `instead`: it was meant for another destination. `no_time`, and `begins_at` of what is expected: as its event says.
    """

    id: str
    destination: str
    subject_id: str
    seq: int
    told_as: EventType
    level: Level | None
    kind: Kind | None
    made_at: datetime
    valid_until: datetime
    group_within: timedelta | None = None
    repeat: int = 0
    instead: Instead | None = None
    no_time: NoTime | None = None
    begins_at: datetime | None = None

    @property
    def event_id(self) -> str:
        """The event that it tells of."""
        return f"{self.subject_id}.{self.seq}"


@dataclass(frozen=True, slots=True)
class Item:
    """One event in a message. `told_as`, `level`: as they arrive at this destination. `instead`: meant for another."""

    event: Event
    told_as: EventType
    level: Level | None
    subject_id: str
    repeat: int = 0
    instead: Instead | None = None


@dataclass(frozen=True, slots=True)
class Claimed:
    """One message that its claimer alone may send until the lease runs out.

    `id` is the same in every attempt; `attempts` counts this one too. `items`: at least one, in the order in which they
    came up.
    """

    id: str
    destination: str
    attempts: int
    valid_until: datetime
    items: tuple[Item, ...]


@dataclass(frozen=True, slots=True)
class Unreached:
    """The newest that a destination was to be told of a subject, and that did not reach it.

    `meant_for`: for whom that destination stood in itself, None where it did not. `why`: what keeps it from arriving.
    `no_time`, and `begins_at` of what is expected: as its event says.
    """

    destination: str
    subject_id: str
    seq: int
    told_as: EventType
    level: Level | None
    kind: Kind | None
    repeat: int
    made_at: datetime
    valid_until: datetime
    why: Detour
    meant_for: str | None = None
    no_time: NoTime | None = None
    begins_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Telling:
    """An event as a destination was told of it: `told_as`, in the message `delivery`, made at `at`."""

    event: Event
    told_as: EventType
    delivery: str
    at: datetime


@dataclass(frozen=True, slots=True)
class Settled:
    """How an attempt ended.

    sent: accepted. retry: again at `due_at`. dead: never again. release: not attempted, back as it was.
    """

    id: str
    outcome: Outcome
    due_at: datetime | None = None
    error: str | None = None
