"""What the pages and the API ask of the store. Every method may block and is called off the event loop."""

from __future__ import annotations

from datetime import datetime
from typing import Protocol

from watcher.alerts.model import Episode, Event
from watcher.store.model import Acknowledged, Token


class Records(Protocol):
    """All that is remembered, as far as the web needs it."""

    def acknowledge(self, episode: str, *, by: str, note: str, now: datetime) -> Acknowledged | None:
        """Take an episode in hand; None where no such episode is open. Who was first at a level stands."""

    def episode(self, episode: str) -> Episode | None:
        """Return an episode by its id such as ``XNOR-17``; None where there is none."""

    def newest_event(self, subject_id: str) -> Event | None:
        """Return the newest event about an episode or a station."""

    def disable_destination(self, name: str, reason: str, now: datetime) -> None:
        """Send nothing more to a destination until it is enabled."""

    def enable_destination(self, name: str) -> None:
        """Send to a destination again."""

    def confirm_destination(self, name: str, address: str, now: datetime) -> bool:
        """Write down that an address wants to be this destination; False where it no longer has that address."""

    def token(self, token_hash: str) -> Token | None:
        """Return what a token allows, by its hash; None for one that was never given or was removed."""
