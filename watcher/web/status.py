"""The status: whether the service does its job, what is wrong, what to do, and by what it judges."""

from __future__ import annotations

import asyncio

from fastapi import APIRouter, Depends, Request, Response

from watcher import __version__
from watcher.notify.wording import when
from watcher.service.status import LATELY, status_of
from watcher.store.model import DeliveryState
from watcher.units import duration_text
from watcher.web.deliveries_shown import MEANINGS, STATES
from watcher.web.doors import page_door
from watcher.web.frame import show
from watcher.web.house import House
from watcher.web.levels import level_mark

_TEXTS = 20
_BLIND = 200


def status_pages(house: House) -> APIRouter:
    """Return the page ``/status``."""
    router = APIRouter(include_in_schema=False, dependencies=[Depends(page_door(house, "read"))])

    @router.api_route("/status", methods=["GET", "HEAD"])
    async def look(request: Request) -> Response:
        ready, now, views = await house.ready(), house.clock(), house.views()
        counts = await asyncio.to_thread(house.store.outbox_counts)
        late = house.settings.text.caretaker.late
        found = status_of(
            ready,
            views=views,
            counts=counts,
            backlog=await asyncio.to_thread(house.store.backlog, now, late=late, lately=LATELY),
            directory=await asyncio.to_thread(house.management.directory),
            unreadable=await asyncio.to_thread(house.store.unreadable, _TEXTS),
            tables=house.watch.tables.sets if house.watch.tables is not None else (),
            now=now,
        )
        return show(
            house,
            request,
            "status.html",
            wrong=found.wrong,
            looks=found.look,
            as_of=when(now, None),
            last_turn=found.last_turn,
            stands_by=found.role == "stands by",
            stations=len(views),
            blind=found.blind[:_BLIND],
            blind_left_off=max(len(found.blind) - _BLIND, 0),
            feeds=found.feeds,
            counts=[(state, STATES[state], MEANINGS[state], counts[state.value]) for state in DeliveryState],
            texts=found.texts,
            rules=len(house.watch.rulebook.rules),
            fingerprint=house.watch.rulebook.fingerprint,
            sets=found.sets,
            kept=duration_text(house.settings.text.watch.keep),
            version=__version__,
            mark=level_mark,
        )

    return router
