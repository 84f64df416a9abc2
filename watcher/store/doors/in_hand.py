"""What people have in hand: episodes that they took, aircraft that were treated."""

from __future__ import annotations

from datetime import datetime

from watcher.alerts.model import Acknowledgement
from watcher.store import acknowledgements, protections
from watcher.store.doors.door import Door
from watcher.store.model import Acknowledged
from watcher.store.news import tell
from watcher.treatment.protection import Protection


class InHand(Door):
    """Acknowledgements and protections."""

    def acknowledge(self, episode: str, *, by: str, note: str, now: datetime) -> Acknowledged | None:
        """Take an episode in hand; the next turn of the cycle tells everyone who was told of it.

        Parameters
        ----------
        episode
            Its name, such as ``XNOR-17``.
        by, note
            Who takes it, and what they say.
        now
            The present.

        Returns
        -------
        Acknowledged or None
            Who has it: whoever was first, until it rises above the level at which it was taken. None: there is no such
            open episode.
        """
        with self._database.write() as connection:
            tell(connection)
            return acknowledgements.acknowledge(connection, episode, by, note, now)

    def unnoticed_acknowledgements(self) -> tuple[Acknowledgement, ...]:
        """Return the acknowledgements that no committed turn of the cycle has seen, in their order."""
        with self._database.read() as connection:
            return acknowledgements.unnoticed(connection)

    def protections(self, live_only: bool) -> tuple[Protection, ...]:
        """Return the treated aircraft, all or those whose protection has not ended, in the order of their beginning."""
        with self._database.read() as connection:
            return protections.read_protections(connection, live_only=live_only)

    def protection(self, name: str) -> Protection | None:
        """Return one protection by its name, such as ``XNOR-P3``; None when there is none."""
        with self._database.read() as connection:
            return protections.read_protection(connection, name)

    def add_protection(self, item: Protection) -> Protection:
        """Add a protection; return it with the name that it gets."""
        with self._database.write() as connection:
            tell(connection)
            return protections.add_protection(connection, item)

    def change_protection(self, item: Protection) -> None:
        """Write a protection as it now stands; StoreConflict when somebody else changed it since it was read."""
        with self._database.write() as connection:
            tell(connection)
            protections.write_protections(connection, (item,))
