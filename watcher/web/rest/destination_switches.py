"""Destinations switched off and on by programs, and tried with a message that is marked as a test."""

from __future__ import annotations

import asyncio
from typing import Annotated

from fastapi import Body, Request, Response

from watcher.notify.wording import plain
from watcher.service.asking import try_out
from watcher.web.api import ApiRouter, Gate
from watcher.web.etags import answer
from watcher.web.house import House
from watcher.web.rest.destination_bodies import DestinationBody, Pause, TrialBody
from watcher.web.rest.destinations import changed, known_destination, plain_or_none, told
from watcher.web.rest.fields import AnyName

# Trials go over the network, each for as long as a receiver likes.
_AT_ONCE = 2


def destination_switch_api(house: House, gate: Gate) -> ApiRouter:
    """Return the routes that switch destinations and try them."""
    router = ApiRouter(gate, "/destinations", "destinations")
    trials = asyncio.Semaphore(_AT_ONCE)

    @router.acts("POST", "/{name:path}/pause", DestinationBody, 404, scope="manage")
    async def pause_destination(
        request: Request, name: AnyName, body: Annotated[Pause, Body(default_factory=Pause)]
    ) -> Response:
        """Send nothing to a destination until it is resumed, not even ends; what it was owed is dropped."""
        await known_destination(house, name)
        now = house.clock()
        await changed(house, lambda: house.management.pause_destination(name, plain(body.reason), now))
        return answer(request, told(request, await known_destination(house, name)))

    @router.acts("POST", "/{name:path}/resume", DestinationBody, 404, scope="manage")
    async def resume_destination(request: Request, name: AnyName) -> Response:
        """Send to a destination again; it is told how things stand."""
        await known_destination(house, name)
        await changed(house, lambda: house.management.resume_destination(name))
        return answer(request, told(request, await known_destination(house, name)))

    @router.acts("POST", "/{name:path}/test", TrialBody, 404, scope="manage")
    async def test_destination(request: Request, name: AnyName) -> Response:
        """Send one message that is marked as a test, now, and say whether it was taken."""
        known = await known_destination(house, name)
        async with trials:
            refused = await try_out(house.settings, known, house.clock())
        return answer(request, {"destination": name, "taken": refused is None, "error": plain_or_none(refused)})

    return router
