"""Other processes at the same store: who of all leads, what the leader wrote, what anybody changed."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence

from watcher.errors import StoreError
from watcher.feeds.model import ListeningFeed
from watcher.notify.sender import Sender
from watcher.service.following import Following
from watcher.service.leading import Leading
from watcher.service.people import PeopleWatch
from watcher.store.store import Store


class Neighbours:
    """What this process does because of others.

    Parameters
    ----------
    store
        What they share.
    leading, following
        Its part in the election, and what it knows of the stations while another one leads.
    shows
        Whether it has pages, and reads for them what the leader wrote.
    people, look_at_people
        Who is told, as last looked at, and how to look again.
    sender
        Woken when something was written.
    take_turn
        Called when the leader has something to tell.
    listening_feeds
        Feeds at brokers that know one session for all processes.
    """

    def __init__(  # noqa: PLR0917 - the parts that others set going
        self,
        store: Store,
        leading: Leading,
        following: Following,
        shows: bool,
        people: PeopleWatch,
        look_at_people: Callable[[], Awaitable[None]],
        sender: Sender,
        take_turn: Callable[[], None],
        listening_feeds: Sequence[ListeningFeed],
    ) -> None:
        self._store = store
        self._leading = leading
        self._following = following
        self._shows = shows
        self._people = people
        self._look_at_people = look_at_people
        self._sender = sender
        self._take_turn = take_turn
        self._listening_feeds = listening_feeds

    async def stand(self) -> None:
        """Stand in the election; where the store does not answer, nobody leads from here."""
        try:
            await self._leading.look()
        except StoreError as error:
            self._leading.depose(str(error))
        if not self._leading:
            # The session is the leader's.
            for feed in self._listening_feeds:
                await feed.aclose()

    async def follow(self) -> None:
        """Read what the leader has written, where this process shows it."""
        if not self._leading and self._shows:
            await self._following.refresh()

    async def follow_all(self) -> None:
        """Read that, and who is told."""
        if not self._leading:
            await self._look_at_people()
        await self.follow()

    async def use_news(self) -> None:
        """Use what anybody wrote: something to send, to show, or to tell of."""
        self._sender.wake()
        if not self._leading:
            await self.follow_all()
        elif await asyncio.to_thread(self._is_something_to_tell):
            self._take_turn()

    def _is_something_to_tell(self) -> bool:
        """Return whether a command or page changed something that only a turn makes known."""
        known = self._people.directory
        return bool(self._store.unnoticed_acknowledgements()) or (
            known is not None and known.revision != self._store.people_revision()
        )
