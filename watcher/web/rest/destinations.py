"""Destinations as programs read and change them."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any, TypeVar

from fastapi import Request, Response

from watcher.notify.signature import new_secret
from watcher.notify.wording import plain
from watcher.service.asking import ask_owner
from watcher.service.directory import KnownDestination
from watcher.service.people_contract import destination_as_contract
from watcher.settings.people import SIGNED
from watcher.web.api import ApiRouter, Gate
from watcher.web.doors import visitor_of
from watcher.web.etags import answer, made_at
from watcher.web.house import House
from watcher.web.problems import Refusal
from watcher.web.rest.destination_bodies import (
    AddedBody,
    DestinationBody,
    DestinationChange,
    DestinationsBody,
    NewDestination,
)
from watcher.web.rest.fields import AnyName

T = TypeVar("T")
# Questions go over the network, each for as long as a mail server likes.
_AT_ONCE = 2
_FIXED = "stands in the settings and is changed there."


def destination_api(house: House, gate: Gate) -> ApiRouter:
    """Return the routes under ``/api/v1/destinations``."""
    router = ApiRouter(gate, "/destinations", "destinations")
    asking = asyncio.Semaphore(_AT_ONCE)

    @router.reads("", DestinationsBody)
    async def list_destinations(request: Request) -> Response:
        """List the destinations of the settings and those that were added, and why one gets nothing."""
        known = (await asyncio.to_thread(house.management.directory)).destinations
        return answer(request, {"items": [told(request, item) for item in known.values()]})

    @router.reads("/{name:path}", DestinationBody, 404)
    async def read_destination(request: Request, name: AnyName) -> Response:
        """Return one destination."""
        return answer(request, told(request, await known_destination(house, name)))

    @router.acts("POST", "", AddedBody, 409, scope="manage", status=201)
    async def add_destination(request: Request, body: NewDestination) -> Response:
        """Add a destination. The owner of a mailbox is asked by mail, and gets nothing before they agree."""
        directory = await asyncio.to_thread(house.management.directory)
        if body.name in directory.destinations:
            raise Refusal(409, f'There is a destination "{plain(body.name)}" already; choose another name.')
        made = new_secret() if body.kind in SIGNED and body.secret is None else None
        values, now = body.model_dump(exclude_none=True, exclude={"secret"}), house.clock()
        section = await changed(house, lambda: house.management.add_destination(values, made or body.secret, now))
        return await _added(request, section.name, section.address, made, status=201)

    @router.acts("PATCH", "/{name:path}", AddedBody, 404, 409, scope="manage")
    async def change_destination(request: Request, name: AnyName, body: DestinationChange) -> Response:
        """Change parts of a destination that was added; a new mail address is asked for its confirmation."""
        await _stored(house, name)
        values = body.model_dump(exclude_none=True, exclude={"secret"})
        if "fallback" in body.model_fields_set:
            values["fallback"] = body.fallback
        now, secret = house.clock(), body.secret
        to_confirm = await changed(house, lambda: house.management.change_destination(name, values, secret, now))
        known = await known_destination(house, name)
        return await _added(request, name, known.section.address if to_confirm else None, None, status=200)

    @router.acts("DELETE", "/{name:path}", None, 404, 409, scope="manage", status=204)
    async def remove_destination(name: AnyName) -> Response:
        """Remove a destination that was added and that no subscription names."""
        await _stored(house, name)
        users = ", ".join((await asyncio.to_thread(house.management.directory)).users_of(name))
        if users:
            raise Refusal(409, f'"{plain(name)}" is named by {plain(users)}; change or remove these first.')
        await changed(house, lambda: house.management.remove_destination(name))
        return Response(status_code=204)

    async def _added(request: Request, name: str, address: str | None, made: str | None, *, status: int) -> Response:
        refused = None
        if address is not None:
            async with asking:
                refused = await ask_owner(house.settings, name, address, house.key, house.clock())
        shown = told(request, await known_destination(house, name))
        asked = {
            "secret": made,
            "asked": address is not None and refused is None,
            "not_asked_why": plain_or_none(refused),
        }
        place = made_at("destinations", name) if status == 201 else {}
        return answer(request, shown | asked, status=status, headers=place)

    return router


async def changed(house: House, change: Callable[[], T]) -> T:
    """Make a change, and let the service notice."""
    made = await asyncio.to_thread(change)
    house.news()
    return made


async def known_destination(house: House, name: str) -> KnownDestination:
    """Return a destination; Refusal (404) where there is none of that name."""
    found = (await asyncio.to_thread(house.management.directory)).destinations.get(name)
    if found is None:
        raise Refusal(404, f'There is no destination "{plain(name)}".')
    return found


async def _stored(house: House, name: str) -> None:
    if (await known_destination(house, name)).source == "settings":
        raise Refusal(409, f'The destination "{plain(name)}" {_FIXED}')


def told(request: Request, item: KnownDestination) -> dict[str, Any]:
    """Return a destination for whoever asks: its whole web address only to those who manage."""
    return destination_as_contract(item, whole=visitor_of(request).may("manage"))


def plain_or_none(text: str | None) -> str | None:
    """Return a text without control characters."""
    return plain(text) if text is not None else None
