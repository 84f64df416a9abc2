"""The status: whether the service does its job, what is wrong, what to do, and by what it judges."""

from __future__ import annotations

import asyncio

from fastapi import APIRouter, Depends, Request, Response

from watcher import __version__
from watcher.notify.wording import when
from watcher.store.model import DeliveryState
from watcher.units import duration_text, parse_iso_z
from watcher.web.deliveries_shown import MEANINGS, STATES
from watcher.web.doors import page_door
from watcher.web.frame import show
from watcher.web.house import House
from watcher.web.levels import level_mark
from watcher.web.status_shown import ago, blind_of, feeds_of, looks, sets_of, texts_of, wrong

_TEXTS = 20
_BLIND = 200


def status_pages(house: House) -> APIRouter:
    """Return the page ``/status``."""
    router = APIRouter(include_in_schema=False, dependencies=[Depends(page_door(house, "read"))])

    @router.api_route("/status", methods=["GET", "HEAD"])
    async def look(request: Request) -> Response:
        ready, now, views = await house.ready(), house.clock(), house.views()
        feeds, blind = feeds_of(ready.values, now), blind_of(views)
        counts = await asyncio.to_thread(house.store.outbox_counts)
        directory = await asyncio.to_thread(house.management.directory)
        texts = texts_of(await asyncio.to_thread(house.store.unreadable, _TEXTS))
        sets = sets_of(house.watch.tables.sets if house.watch.tables is not None else (), now.date())
        last_turn = ready.values.get("last_turn_at")
        return show(
            house,
            request,
            "status.html",
            wrong=wrong(ready.problems),
            looks=looks(feeds=feeds, blind=blind, counts=counts, directory=directory, sets=sets, texts=texts, now=now),
            as_of=when(now, None),
            last_turn=ago(parse_iso_z(last_turn), now) if isinstance(last_turn, str) else None,
            stands_by=ready.values.get("role") == "stands by",
            stations=len(views),
            blind=blind[:_BLIND],
            blind_left_off=max(len(blind) - _BLIND, 0),
            feeds=feeds,
            counts=[(state, STATES[state], MEANINGS[state], counts[state.value]) for state in DeliveryState],
            texts=texts,
            rules=len(house.watch.rulebook.rules),
            fingerprint=house.watch.rulebook.fingerprint,
            sets=sets,
            kept=duration_text(house.settings.text.watch.keep),
            version=__version__,
            mark=level_mark,
        )

    return router
