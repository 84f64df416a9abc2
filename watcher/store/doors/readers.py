"""Who is told of what: subscriptions and destinations, and the key of the links that their readers follow."""

from __future__ import annotations

from datetime import datetime

from watcher.store import kept, people
from watcher.store.doors.door import Door
from watcher.store.model import People, StoredDestination, StoredSubscription
from watcher.store.news import tell


class Readers(Door):
    """Subscriptions and destinations that are not in the settings."""

    def people(self) -> People:
        """Return the subscriptions and destinations that are not in the settings, and what is switched off."""
        with self._database.read() as connection:
            return people.read_people(connection)

    def people_revision(self) -> int:
        """Return how often subscriptions, destinations or their switches were changed."""
        with self._database.read() as connection:
            return kept.people_revision(connection)

    def put_subscription(self, item: StoredSubscription) -> None:
        """Add a subscription, or change the one of its name."""
        with self._database.write() as connection:
            tell(connection)
            people.put_subscription(connection, item)

    def remove_subscription(self, name: str) -> bool:
        """Remove a subscription; return whether there was one."""
        with self._database.write() as connection:
            tell(connection)
            return people.remove_subscription(connection, name)

    def put_destination(self, item: StoredDestination) -> None:
        """Add a destination, or change the one of its name."""
        with self._database.write() as connection:
            tell(connection)
            people.put_destination(connection, item)

    def remove_destination(self, name: str) -> bool:
        """Remove a destination; return whether there was one."""
        with self._database.write() as connection:
            tell(connection)
            return people.remove_destination(connection, name)

    def confirm_destination(self, name: str, address: str, now: datetime) -> bool:
        """Note that the owner of a destination agreed.

        Return whether it counts: the destination still has that address, and was added or asked within seven days.
        """
        with self._database.write() as connection:
            tell(connection)
            return people.confirm_destination(connection, name, address, now)

    def link_key(self) -> bytes:
        """Return the 32 bytes that sign the links of this service's messages; the first call makes them."""
        with self._database.write() as connection:
            return kept.link_key(connection)

    def renew_link_key(self) -> None:
        """Sign links with another key from now on; every link made before is dead. Running services notice at once."""
        with self._database.write() as connection:
            tell(connection)
            kept.renew_link_key(connection)
