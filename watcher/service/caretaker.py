"""Tells caretakers that the service itself is not well: through the outbox, and past it while the store fails.

The leader does it, for all processes at one store. While the store does not answer there is no leader: whoever led
last tells it then, directly and a few times at most. Where nobody ever led, or every process is gone, only the silence
of the heartbeat tells.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, timedelta

import structlog

from watcher.alerts.changes import Changes
from watcher.alerts.model import Event
from watcher.alerts.outbox import Item
from watcher.errors import DeliveryError, NotLeader, StoreError
from watcher.notify.message import Links, message_of
from watcher.notify.sender import Channel
from watcher.service.channels import Channels
from watcher.service.destinations import destination_of
from watcher.service.directory import Directory, read_directory
from watcher.service.health import Readiness
from watcher.service.self_watch import Seen, by_matter, look, owed, subject_of
from watcher.service.status import LATELY
from watcher.service.status_words import Finding, Matter, late, lost, off, out_of_season, wrong
from watcher.settings import Settings
from watcher.settings.model import CaretakerSection
from watcher.store.store import Store
from watcher.treatment.tables import Tables

_log = structlog.get_logger()
# A message past the outbox is tried so often, each time for so long.
_TRIES = 3
_TIMEOUT_S = 20.0


class Caretaker:
    """Looks after the service on behalf of whoever is named in [caretaker].

    Parameters
    ----------
    store
        Where events and messages are kept, while it answers.
    section
        Whom to tell, and how patiently.
    channels
        The ways to those destinations, for when the outbox cannot be used.
    tables
        The holdover tables; None without any.
    valid_for
        How long a message is worth sending.
    board
        Where people reach the service, None where that is not known.
    wake_senders
        Called when there is something to send.
    """

    def __init__(  # noqa: PLR0917 - the parts that it looks after
        self,
        store: Store,
        section: CaretakerSection,
        channels: Mapping[str, Channel],
        tables: Tables | None,
        valid_for: timedelta,
        board: str | None,
        wake_senders: Callable[[], None],
    ) -> None:
        self._store = store
        self._section = section
        self._channels = channels
        self._tables = tables
        self._valid_for = valid_for
        self._board = board
        self._wake_senders = wake_senders
        self._seen = Seen()
        self._past_outbox: dict[Matter, Event] = {}
        self._tries: dict[Matter, int] = {}
        self._led = False

    async def look(self, ready: Readiness, directory: Directory | None, term: int | None, now: datetime) -> None:
        """Look once, and tell what there is to tell.

        Parameters
        ----------
        ready
            What the service says of itself.
        directory
            The destinations in force.
        term
            Of this process as the leader; None: it does not lead, and tells nothing while the store answers.
        now
            Aware UTC.

        Raises
        ------
        NotLeader
            Another process leads by now; nothing was told.
        """
        if not self._section.to:
            return
        found = by_matter(wrong(ready.problems))
        told: dict[Matter, Event] = {}
        asked: tuple[Matter, ...] = (Matter.STORE,)
        if Matter.STORE not in found:
            try:
                found |= by_matter(await asyncio.to_thread(self._more, directory, now))
                told = await asyncio.to_thread(self._told)
                asked = tuple(Matter)
            except StoreError as error:
                found = by_matter(wrong([f"the store does not answer: {error}"]))
        if term is not None:
            self._led = True
        elif asked != (Matter.STORE,):
            self._led = False
        if not self._led:
            # What was told past the outbox is known here alone: its end is told from here, whoever leads by now.
            asked = tuple(matter for matter in asked if matter in self._past_outbox)
        if not asked:
            return
        self._seen, events = look(
            self._seen, found, told | self._past_outbox, asked=asked, now=now, settle=self._section.settle
        )
        if events:
            await self._tell(events, directory, term, now)

    def _more(self, directory: Directory | None, now: datetime) -> list[Finding]:
        backlog = self._store.backlog(now, late=self._section.late, lately=LATELY)
        sets = self._tables.sets if self._tables is not None else ()
        return [*late(backlog, now), *lost(backlog), *off(directory), *out_of_season(sets, now.date())]

    def _told(self) -> dict[Matter, Event]:
        newest = {matter: self._store.newest_event(subject_of(matter)) for matter in Matter}
        return {matter: event for matter, event in newest.items() if event is not None}

    async def _tell(
        self, events: Sequence[Event], directory: Directory | None, term: int | None, now: datetime
    ) -> None:
        recipients = directory.told_for(self._section.to) if directory is not None else ()
        changes = Changes(
            at=now,
            deliveries=tuple(owed(events, recipients, self._valid_for, now)),
            service_events=tuple(events),
        )
        for event in events:
            _log.warning("caretakers are told", event_id=event.id, headline=event.body.headline)
        try:
            await asyncio.to_thread(self._store.commit, changes, term)
        except NotLeader:
            raise
        except StoreError as error:
            _log.error("the outbox cannot be used, caretakers are told past it", error=str(error))
            for event in events:
                await self._tell_past_outbox(event, now)
            return
        for event in events:
            self._past_outbox.pop(_matter(event), None)
        self._wake_senders()

    async def _tell_past_outbox(self, event: Event, now: datetime) -> None:
        """Hand an event to each caretaker; it counts as told when one of them took it, or after the last try."""
        matter = _matter(event)
        self._tries[matter] = self._tries.get(matter, 0) + 1
        item = Item(event, event.type, None, event.subject_id)
        message = message_of(
            f"past-{event.id}", (item,), now=now, valid_until=now + self._valid_for, links=Links(board=self._board)
        )

        async def taken_by(name: str, channel: Channel) -> bool:
            try:
                async with asyncio.timeout(_TIMEOUT_S):
                    await channel.send(message, now)
            except (DeliveryError, TimeoutError) as error:
                _log.warning("a caretaker was not reached", destination=name, error=str(error) or "too slow")
                return False
            return True

        taken = await asyncio.gather(*(taken_by(name, channel) for name, channel in self._channels.items()))
        if any(taken) or self._tries[matter] >= _TRIES:
            self._past_outbox[matter] = event
            del self._tries[matter]


def build_caretaker(
    settings: Settings, store: Store, channels: Channels, tables: Tables | None, wake_senders: Callable[[], None]
) -> Caretaker:
    """Return the caretaker of the settings, with channels of its own for when the outbox cannot be used."""
    text = settings.text
    known = read_directory(settings).destinations
    told = channels.to([destination_of(known[name]) for name in text.caretaker.to])
    return Caretaker(store, text.caretaker, told, tables, text.watch.valid_for, text.service.public_url, wake_senders)


def _matter(event: Event) -> Matter:
    return next(matter for matter in Matter if subject_of(matter) == event.subject_id)
