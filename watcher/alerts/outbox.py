"""What the store hands to a sender, and what a sender gives back."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from watcher.alerts.model import Event, EventType
from watcher.rulebook.words import Level

Outcome = Literal["sent", "retry", "dead", "release"]


@dataclass(frozen=True, slots=True)
class Claimed:
    """One delivery that its claimer alone may send until the lease runs out.

    `id` is the same in every attempt; `attempts` counts this one too.
    """

    id: str
    destination: str
    told_as: EventType
    level: Level | None
    subject_id: str
    attempts: int
    valid_until: datetime
    event: Event


@dataclass(frozen=True, slots=True)
class Settled:
    """How an attempt ended.

    sent: accepted. retry: again at `due_at`. dead: never again. release: not attempted, back as it was.
    """

    id: str
    outcome: Outcome
    due_at: datetime | None = None
    error: str | None = None
