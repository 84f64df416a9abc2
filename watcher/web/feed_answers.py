"""Feeds, calendars and CAP messages as answers, the same in the API and behind signed links."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from datetime import datetime
from email.utils import format_datetime
from typing import Annotated

from fastapi import Path, Request, Response

from watcher.alerts.model import Event
from watcher.links import authority
from watcher.notify import atom, calendar, cap
from watcher.web.etags import answer
from watcher.web.house import House
from watcher.web.problems import Refusal
from watcher.web.shelf import Shelf

EventId = Annotated[
    str, Path(description="Such as XNOR-17.2: subject and number.", pattern=r"^[A-Za-z0-9-]{1,24}\.[0-9]{1,9}$")
]


def base_of(house: House, request: Request) -> str:
    """Return what the addresses in an answer begin with."""
    return house.public_url or str(request.base_url).rstrip("/")


async def alerts_answer(shelf: Shelf, request: Request, cap_address: Callable[[str], str]) -> Response:
    """Return an Atom feed; `cap_address` gives the address of an event's message by its id."""
    document, changed_at = await asyncio.to_thread(shelf.alerts, cap_address)
    return _document(request, document, atom.MEDIA_TYPE, changed_at)


async def expected_answer(shelf: Shelf, request: Request) -> Response:
    """Return a calendar."""
    document, changed_at = await asyncio.to_thread(shelf.expected)
    named = {"Content-Disposition": f'inline; filename="expected-{shelf.subject}.ics"'}
    return _document(request, document, f"{calendar.MEDIA_TYPE}; charset=utf-8", changed_at, named)


async def cap_answer(house: House, event_id: str, request: Request, permitted: Callable[[Event], bool]) -> Response:
    """Return an event as a CAP message; Refusal (404) where there is none, or none that is permitted."""
    subject, _, number = event_id.rpartition(".")
    events: Sequence[Event] = await asyncio.to_thread(house.store.events_of, subject)
    history = [event for event in events if event.seq <= int(number)]
    if not history or history[-1].id != event_id or not permitted(history[-1]):
        raise Refusal(404, f'No event "{event_id}" is kept here.')
    event = history[-1]
    document = cap.cap_alert(
        history,
        sender=f"hoarline@{authority(house.public_url)}",
        base_url=house.public_url,
        place=house.watch.stations.get(event.body.station) if event.body.station else None,
    )
    return _document(request, document, cap.MEDIA_TYPE, event.at)


def _document(
    request: Request, document: bytes, kind: str, changed_at: datetime, headers: dict[str, str] | None = None
) -> Response:
    """Return a document, or 304 where the reader has it.

    Only the tag of the content decides that: a period moves without a message, and by the time of the last message
    nothing would have changed.
    """
    when = format_datetime(changed_at.replace(microsecond=0), usegmt=True)
    return answer(request, document.decode(), headers={"Last-Modified": when, **(headers or {})}, media_type=kind)
