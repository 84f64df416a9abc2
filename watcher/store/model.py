"""The values that only the store gives: what stands in the outbox, what was removed, how the schema stands."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from watcher.alerts.model import Acknowledgement, Episode, Event, EventType
from watcher.alerts.outbox import Instead
from watcher.reports.model import Report
from watcher.rulebook.words import Flag, Kind, Level


class DeliveryState(StrEnum):
    """Where a delivery stands. Sent, dead and expired are final; only a belated "sent" still corrects the other two."""

    PENDING = "pending"
    LEASED = "leased"
    SENT = "sent"
    DEAD = "dead"
    EXPIRED = "expired"


@dataclass(frozen=True, slots=True)
class ToldLine:
    """One event in a message, as its destination is told of it. `instead`: it was meant for another."""

    event_id: str
    subject_id: str
    told_as: EventType
    level: Level | None
    kind: Kind | None
    repeat: int
    instead: Instead | None = None


@dataclass(frozen=True, slots=True)
class Delivery:
    """A message in the outbox. `settled_at`: when it was sent, given up or expired; None while it is owed."""

    id: str
    destination: str
    told: tuple[ToldLine, ...]
    state: DeliveryState
    attempts: int
    made_at: datetime
    due_at: datetime
    valid_until: datetime
    lease_until: datetime | None
    settled_at: datetime | None
    last_error: str | None


class Again(StrEnum):
    """What became of the wish to send a message again.

    due: it goes now. newer: another message tells the same or what came later. outdated: what it says no longer holds.
    """

    DUE = "due"
    UNKNOWN = "unknown"
    ARRIVED = "arrived"
    UNDER_WAY = "under way"
    SWITCHED_OFF = "switched off"
    TOO_OLD = "too old"
    NEWER = "newer"
    OUTDATED = "outdated"


@dataclass(frozen=True, slots=True)
class Arrivals:
    """How messages to one destination went lately. `failed_at`: when the message that `error` is of was made."""

    sent_at: datetime | None = None
    error: str | None = None
    failed_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Backlog:
    """What in the outbox does not go as it should.

    `late`: by destination since when its oldest late message could have arrived. `untried_since`: since when a message
    is due to a destination that nobody tries to reach, which is a fault of the senders, not of the receiver; None:
    there is none. `lost`: by destination how many messages were given up or ran out lately; what they would have told
    of the service itself is not counted. `stood_in`: by destination who was lately told in its place.
    """

    late: Mapping[str, datetime]
    untried_since: datetime | None
    lost: Mapping[str, int]
    stood_in: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Disabled:
    """A destination that gets nothing until it is enabled again. `by_receiver`: that, or its reader, wants no more."""

    name: str
    reason: str
    at: datetime
    by_receiver: bool = False


@dataclass(frozen=True, slots=True)
class EventNumbers:
    """How far the numbers of events go. `newest`: the highest ever kept; `removed_to`: the highest removed, 0: none."""

    newest: int
    removed_to: int


@dataclass(frozen=True, slots=True)
class Thinned:
    """How many rows were removed."""

    reports: int
    unreadable: int
    deliveries: int
    events: int
    episodes: int
    acknowledgements: int
    protections: int


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """How the attempt to take an episode in hand went.

    `acknowledgement`: the one that stands. `fresh`: it is this one; False: somebody had the episode already.
    """

    acknowledgement: Acknowledgement
    fresh: bool


@dataclass(frozen=True, slots=True)
class EpisodesAsked:
    """Which episodes are asked for. None: whatever it is.

    `open`: they have not ended, or they have. `changed_since`: something was told of them from then on. `before`: the
    beginning and the name of an episode; only those that come after it, where the last to begin comes first.
    """

    open: bool | None = None
    station: str | None = None
    flag: Flag | None = None
    min_level: Level = Level.NOTE
    changed_since: datetime | None = None
    before: tuple[datetime, str] | None = None


@dataclass(frozen=True, slots=True)
class KeptReport:
    """A report as it is kept. `superseded`: another of the same time took its place."""

    report: Report
    superseded: bool


@dataclass(frozen=True, slots=True)
class Lately:
    """What stands and what ended lately.

    `alerts`: episodes that somebody was told of, each with its last event. `sights`: the last event of each station
    that is blind or was.
    """

    alerts: tuple[tuple[Episode, Event], ...]
    sights: tuple[Event, ...]


@dataclass(frozen=True, slots=True)
class StoredSubscription:
    """A subscription that is not in the settings. `spec`: the keys and values that the settings would have, as JSON."""

    name: str
    spec: str
    paused: bool
    made_at: datetime
    changed_at: datetime


@dataclass(frozen=True, slots=True)
class StoredDestination:
    """A destination that is not in the settings. `spec`: as the settings would have it, as JSON.

    `secret`: what its messages are signed with, if they are. `confirmed_at`: when its owner agreed, None: not yet.
    """

    name: str
    spec: str
    secret: str | None = field(repr=False)
    confirmed_at: datetime | None
    made_at: datetime
    changed_at: datetime


@dataclass(frozen=True, slots=True)
class People:
    """All subscriptions and destinations of the store, and the destinations that are switched off, by name.

    `revision`: counts the changes.
    """

    revision: int
    subscriptions: tuple[StoredSubscription, ...]
    destinations: tuple[StoredDestination, ...]
    disabled: Mapping[str, Disabled]


@dataclass(frozen=True, slots=True)
class Token:
    """What a token for the API allows. The token itself is known to nobody but its owner."""

    name: str
    scopes: frozenset[str]
    expires_at: datetime


class SchemaState(StrEnum):
    """How a database's schema stands to this program's."""

    CURRENT = "current"
    EMPTY = "empty"
    OLDER = "older"
    NEWER = "newer"
    FOREIGN = "foreign"


@dataclass(frozen=True, slots=True)
class SchemaStatus:
    """The revision that a database has (None without one) and the one that this program needs."""

    state: SchemaState
    revision: str | None
    needed: str
