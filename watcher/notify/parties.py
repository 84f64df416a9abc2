"""Whom the sender deals with: the outbox that owes, the channels that carry, the observer that counts."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime, timedelta
from typing import Protocol

from watcher.alerts.outbox import Claimed, Outcome, Settled
from watcher.notify.message import Message


class Outbox(Protocol):
    """What is owed; the store. All methods block."""

    def claim(
        self, now: datetime, *, limit: int, lease: timedelta, per_destination: int, skip: Collection[str] = ()
    ) -> tuple[Claimed, ...]:
        """Take deliveries that are due under a lease."""

    def settle(self, results: Sequence[Settled], now: datetime) -> None:
        """Write down how claimed deliveries went."""

    def disable_destination(self, name: str, reason: str, now: datetime, *, by_receiver: bool) -> None:
        """Send nothing more to a destination."""


class Channel(Protocol):
    """One way to one destination. `kind`: the word for it in metrics."""

    kind: str

    async def send(self, message: Message, now: datetime) -> None:
        """Hand over one message, or raise DeliveryError."""


class Observer(Protocol):
    """Whoever counts attempts."""

    def delivered(self, kind: str, outcome: Outcome, seconds: float) -> None:
        """Note how one attempt of one kind of channel ended and how long it took."""
