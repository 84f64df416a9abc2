"""CAP 1.2 documents, posted one by one, signed as webhooks are (Standard Webhooks 1.0.0).

A document is named after its delivery, and it refers to what this destination was really told before: an update of a
message that never arrived would leave its reader without the alert.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import Protocol

from watcher.alerts.model import Event, SubjectKind
from watcher.alerts.outbox import Telling
from watcher.errors import DeliveryError, StoreError
from watcher.net import HttpClients
from watcher.notify.cap import MEDIA_TYPE, Said, cap_document
from watcher.notify.message import Message
from watcher.notify.model import CapDestination
from watcher.notify.signature import signed_headers
from watcher.notify.webhook import POST_TIMEOUT_S, post_signed
from watcher.notify.wording import short
from watcher.reports.station import Station


class Past(Protocol):
    """Whoever knows what a destination was told; the store."""

    def tellings(self, delivery_id: str) -> tuple[Telling, ...]:
        """Return what a message tells, after all that its destination was really told of the same matter; blocks."""


class CapChannel:
    """Posts messages to one web address as CAP documents.

    Parameters
    ----------
    destination
        Where to, and what to sign with.
    http
        Checks the address and keeps the connections.
    past
        Knows what was told before; None: nothing was, as for a test by hand.
    sender
        Who says it, unique in the world, such as ``hoarline@ice.example.org``.
    station_of
        Where a station is; None where nobody knows.
    timeout_s
        Seconds for one attempt.
    """

    kind = "cap"

    def __init__(
        self,
        destination: CapDestination,
        http: HttpClients,
        past: Past | None,
        *,
        sender: str,
        station_of: Callable[[str], Station] | None = None,
        timeout_s: float = POST_TIMEOUT_S,
    ) -> None:
        self._destination = destination
        self._http = http
        self._past = past
        self._sender = sender
        self._station_of = station_of
        self._timeout_s = timeout_s

    async def send(self, message: Message, now: datetime) -> None:
        """Post one document; any answer of 200 to 299 is a yes.

        Raises
        ------
        DeliveryError
            The receiver could not be reached, refused, or wants no more (`gone`); or the store did not say what was
            told before.
        """
        document = cap_document(
            await self._history(message),
            sender=self._sender,
            base_url=message.links.board,
            place=self._place(message.first.body.station),
        )
        headers = signed_headers(message.id, now, document, self._destination.secrets)
        await post_signed(self._http, self._destination.url, document, MEDIA_TYPE, headers, now, self._timeout_s)

    async def _history(self, message: Message) -> Sequence[Said]:
        try:
            told = await asyncio.to_thread(self._past.tellings, message.id) if self._past is not None else ()
        except StoreError as error:
            raise DeliveryError(short(f"what was told before could not be read: {error}")) from error
        return [_said(one) for one in told] or [_by_itself(message)]

    def _place(self, station: str) -> Station | None:
        return self._station_of(station) if station and self._station_of is not None else None


def _said(told: Telling) -> Said:
    """Return an event as it was told. It is sent when the message was made: a reminder is a message of its own."""
    event = told.event
    as_told = Event(event.subject_kind, event.subject_id, event.seq, told.told_as, told.at, event.body)
    # The time tells apart what one message told of a subject.
    return Said(as_told, f"{told.delivery}_{told.at.astimezone(UTC):%Y%m%dT%H%M%SZ}")


def _by_itself(message: Message) -> Said:
    """Return a message that is in no outbox, such as a test."""
    part = message.first
    kind = SubjectKind.EPISODE if part.episode is not None else SubjectKind.DIGEST
    return Said(Event(kind, part.subject, 1, part.told_as, part.happened_at, part.body), message.id)
