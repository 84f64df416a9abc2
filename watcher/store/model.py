"""The values that only the store gives: what stands in the outbox, what was removed, how the schema stands."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from watcher.alerts.model import EventType
from watcher.rulebook.words import Kind, Level


class DeliveryState(StrEnum):
    """Where a delivery stands. Sent, dead and expired are final; only a belated "sent" still corrects the other two."""

    PENDING = "pending"
    LEASED = "leased"
    SENT = "sent"
    DEAD = "dead"
    EXPIRED = "expired"


@dataclass(frozen=True, slots=True)
class Delivery:
    """A line of the outbox. `settled_at`: when it was sent, given up or expired; None while it is owed."""

    id: str
    destination: str
    subject_id: str
    event_id: str
    told_as: EventType
    level: Level | None
    kind: Kind | None
    state: DeliveryState
    attempts: int
    due_at: datetime
    valid_until: datetime
    lease_until: datetime | None
    settled_at: datetime | None
    last_error: str | None


@dataclass(frozen=True, slots=True)
class Disabled:
    """A destination that gets nothing until it is enabled again."""

    name: str
    reason: str
    at: datetime


@dataclass(frozen=True, slots=True)
class Thinned:
    """How many rows were removed."""

    reports: int
    unreadable: int
    deliveries: int
    events: int
    episodes: int


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
