"""Destinations as programs read and change them. Secrets go in and never come out, but once: when one is made."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Annotated, Any, Literal, TypeVar

from fastapi import Body, Request, Response
from pydantic import BaseModel, Field, StringConstraints

from watcher.notify.signature import new_secret
from watcher.notify.wording import plain
from watcher.service.asking import ask_owner, try_out
from watcher.service.directory import KnownDestination
from watcher.service.people_contract import destination_as_contract
from watcher.web.api import ApiRouter, Gate
from watcher.web.doors import visitor_of
from watcher.web.etags import answer
from watcher.web.house import House
from watcher.web.problems import Refusal
from watcher.web.rest.fields import AnyName, Asked

T = TypeVar("T")
_Text = Annotated[str, StringConstraints(min_length=1, max_length=500)]
# Trials and questions go over the network, each for as long as a receiver likes.
_AT_ONCE = 2
_FIXED = "stands in the settings and is changed there."


class DestinationBody(BaseModel):
    """Where messages can go. No secret is told."""

    name: str
    source: Literal["settings", "store"]
    kind: Literal["email", "webhook", "chat"]
    to: str = Field(description="The mail address; of a webhook the server alone, without the scope manage.")
    state: str
    confirmed: bool = Field(description="Its owner agreed; those of the settings are the operator's word.")
    disabled: str | None = Field(description="Why it is switched off; null: it is not.")


class DestinationsBody(BaseModel):
    """All destinations by name."""

    items: list[DestinationBody]


class NewDestination(Asked):
    """A destination to be added, under the keys that its section in the settings would have."""

    name: _Text
    kind: Literal["email", "webhook", "chat"]
    address: _Text | None = Field(None, description="email: the address; its owner is asked by mail first.")
    url: _Text | None = Field(None, description="webhook: where to post.")
    secret: _Text | None = Field(
        None, description="webhook: whsec_…, left out: one is made and told once. chat: the room's web address."
    )
    text_field: _Text | None = Field(None, description="chat: name of the JSON field that the room reads.")
    group_within: _Text | None = Field(
        None, description="email, chat: what happens in so long makes one message: 20s.", examples=["20s"]
    )


class DestinationChange(Asked):
    """What is changed of a destination; what is left out stays."""

    address: _Text | None = None
    url: _Text | None = None
    secret: _Text | None = None
    text_field: _Text | None = None
    group_within: _Text | None = None


class Pause(Asked):
    """Why a destination is switched off."""

    reason: _Text = Field("paused by a program", description="Shown to whoever asks why.")


class AddedBody(DestinationBody):
    """A destination that was added or changed. `secret`: made just now and told this once; null: none was made."""

    secret: str | None
    asked: bool = Field(description="Its owner was asked by mail; it gets nothing before they agree.")
    not_asked_why: str | None = Field(description="Why the mail to its owner was not taken; null: no such thing.")


class TrialBody(BaseModel):
    """How a message that is marked as a test was taken. `error`: why it was not."""

    destination: str
    taken: bool
    error: str | None


def destination_api(house: House, gate: Gate) -> ApiRouter:
    """Return the routes under ``/api/v1/destinations``."""
    router = ApiRouter(gate, "/destinations", "destinations")
    trials = asyncio.Semaphore(_AT_ONCE)

    @router.reads("", DestinationsBody)
    async def list_destinations(request: Request) -> Response:
        """List the destinations of the settings and those that were added, and why one gets nothing."""
        known = (await asyncio.to_thread(house.management.directory)).destinations
        return answer(request, {"items": [_told(request, item) for item in known.values()]})

    @router.reads("/{name:path}", DestinationBody, 404)
    async def read_destination(request: Request, name: AnyName) -> Response:
        """Return one destination."""
        return answer(request, _told(request, await _known(house, name)))

    @router.acts("POST", "", AddedBody, 409, scope="manage", status=201)
    async def add_destination(request: Request, body: NewDestination) -> Response:
        """Add a destination. The owner of a mailbox is asked by mail, and gets nothing before they agree."""
        directory = await asyncio.to_thread(house.management.directory)
        if body.name in directory.destinations:
            raise Refusal(409, f'There is a destination "{plain(body.name)}" already; choose another name.')
        made = new_secret() if body.kind == "webhook" and body.secret is None else None
        values, now = body.model_dump(exclude_none=True, exclude={"secret"}), house.clock()
        section = await _changed(house, lambda: house.management.add_destination(values, made or body.secret, now))
        return await _added(request, section.name, section.address, made, status=201)

    @router.acts("PATCH", "/{name:path}", AddedBody, 404, 409, scope="manage")
    async def change_destination(request: Request, name: AnyName, body: DestinationChange) -> Response:
        """Change parts of a destination that was added; a new mail address is asked for its confirmation."""
        await _stored(house, name)
        values = body.model_dump(exclude_none=True, exclude={"secret"})
        now, secret = house.clock(), body.secret
        to_confirm = await _changed(house, lambda: house.management.change_destination(name, values, secret, now))
        known = await _known(house, name)
        return await _added(request, name, known.section.address if to_confirm else None, None, status=200)

    @router.acts("DELETE", "/{name:path}", None, 404, 409, scope="manage", status=204)
    async def remove_destination(name: AnyName) -> Response:
        """Remove a destination that was added and that no subscription names."""
        await _stored(house, name)
        subscriptions = (await asyncio.to_thread(house.management.directory)).subscriptions.values()
        users = ", ".join(item.name for item in subscriptions if name in item.section.to)
        if users:
            raise Refusal(409, f'"{plain(name)}" is named by {plain(users)}; change or remove these first.')
        await _changed(house, lambda: house.management.remove_destination(name))
        return Response(status_code=204)

    @router.acts("POST", "/{name:path}/pause", DestinationBody, 404, scope="manage")
    async def pause_destination(
        request: Request, name: AnyName, body: Annotated[Pause, Body(default_factory=Pause)]
    ) -> Response:
        """Send nothing to a destination until it is resumed, not even ends; what it was owed is dropped."""
        await _known(house, name)
        now = house.clock()
        await _changed(house, lambda: house.management.pause_destination(name, plain(body.reason), now))
        return answer(request, _told(request, await _known(house, name)))

    @router.acts("POST", "/{name:path}/resume", DestinationBody, 404, scope="manage")
    async def resume_destination(request: Request, name: AnyName) -> Response:
        """Send to a destination again; it is told how things stand."""
        await _known(house, name)
        await _changed(house, lambda: house.management.resume_destination(name))
        return answer(request, _told(request, await _known(house, name)))

    @router.acts("POST", "/{name:path}/test", TrialBody, 404, scope="manage")
    async def test_destination(request: Request, name: AnyName) -> Response:
        """Send one message that is marked as a test, now, and say whether it was taken."""
        known = await _known(house, name)
        async with trials:
            refused = await try_out(house.settings, known, house.clock())
        return answer(request, {"destination": name, "taken": refused is None, "error": _plain(refused)})

    async def _added(request: Request, name: str, address: str | None, made: str | None, *, status: int) -> Response:
        refused = None
        if address is not None:
            async with trials:
                refused = await ask_owner(house.settings, name, address, house.key, house.clock())
        told = _told(request, await _known(house, name))
        asked = {"secret": made, "asked": address is not None and refused is None, "not_asked_why": _plain(refused)}
        return answer(request, told | asked, status=status)

    return router


async def _changed(house: House, change: Callable[[], T]) -> T:
    """Make a change, and let the service notice."""
    made = await asyncio.to_thread(change)
    house.news()
    return made


async def _known(house: House, name: str) -> KnownDestination:
    found = (await asyncio.to_thread(house.management.directory)).destinations.get(name)
    if found is None:
        raise Refusal(404, f'There is no destination "{plain(name)}".')
    return found


async def _stored(house: House, name: str) -> None:
    if (await _known(house, name)).source == "settings":
        raise Refusal(409, f'The destination "{plain(name)}" {_FIXED}')


def _told(request: Request, item: KnownDestination) -> dict[str, Any]:
    return destination_as_contract(item, whole=visitor_of(request).may("manage"))


def _plain(text: str | None) -> str | None:
    return plain(text) if text is not None else None
