"""The subscriptions: who wants what; added, changed, and tried on the last week before they are kept."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from urllib.parse import quote

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import RedirectResponse

from watcher.errors import UsageError
from watcher.notify.wording import plain
from watcher.rulebook.words import Flag, Level
from watcher.service.directory import KnownSubscription
from watcher.service.wanted import what, when, where
from watcher.web.alerts_shown import flag_words
from watcher.web.amiss import NOTHING, Amiss
from watcher.web.destinations_shown import KIND_WORDS
from watcher.web.doors import page_door, visitor_of
from watcher.web.forms import form_values
from watcher.web.frame import root_of, show
from watcher.web.house import House
from watcher.web.levels import level_mark
from watcher.web.problems import Refusal
from watcher.web.subscriptions_amiss import placed
from watcher.web.subscriptions_form import (
    CLUES,
    FIELDS,
    MOST_TICKED,
    Wish,
    left_out,
    values_of,
    wish_of,
    with_codes_ticked,
    written,
)
from watcher.web.subscriptions_places import Picks, countries, found, watched
from watcher.web.subscriptions_preview import Seen, look_back

_SAID = {
    "saved": "It is saved. What is open and wanted is told at once.",
    "paused": "It is paused: nothing new is told by it. What was told before is still told its end.",
    "resumed": "It is on again. What is open and wanted is told at once.",
}


def subscription_pages(house: House) -> APIRouter:
    """Return the pages under ``/subscriptions``."""
    router = APIRouter(include_in_schema=False)
    reading, managing = [Depends(page_door(house, "read"))], [Depends(page_door(house, "manage"))]

    @router.api_route("/subscriptions", methods=["GET", "HEAD"], dependencies=reading)
    async def look(request: Request) -> Response:
        return await _list(house, request)

    @router.api_route("/subscriptions/new", methods=["GET", "HEAD"], dependencies=managing)
    async def ask(request: Request) -> Response:
        return await _form(house, request, None, Wish())

    @router.post("/subscriptions/new", dependencies=managing)
    async def add(request: Request) -> Response:
        return await _posted(house, request, None, await form_values(request))

    @router.api_route("/subscriptions/stations", methods=["GET", "HEAD"], dependencies=reading)
    async def find(request: Request) -> Response:
        ticked = request.query_params.getlist("station")[:MOST_TICKED]
        text = plain(request.query_params.get("find", ""))
        return show(house, request, "subscription_stations.html", picks=_picks(house, ticked, text))

    @router.api_route("/subscriptions/{name:path}", methods=["GET", "HEAD"], dependencies=reading)
    async def look_at(name: str, request: Request) -> Response:
        known = await _known(house, name)
        said = _SAID.get(request.query_params.get("done", ""))
        if known.source == "store" and visitor_of(request).may("manage") and "preview" not in request.query_params:
            return await _form(house, request, known, wish_of(known.section), said=said)
        return await _read_only(house, request, known)

    @router.post("/subscriptions/{name:path}", dependencies=managing)
    async def change(name: str, request: Request) -> Response:
        return await _posted(house, request, await _known(house, name), await form_values(request))

    return router


async def _list(house: House, request: Request) -> Response:
    directory = await asyncio.to_thread(house.management.directory)
    silent = {
        item.name: "switched off" if item.off is not None else "not confirmed"
        for item in directory.destinations.values()
        if item.off is not None or not item.confirmed
    }
    return show(
        house,
        request,
        "subscriptions.html",
        subscriptions=[
            (item, where(item.section), what(item.section), when(item.section))
            for item in directory.subscriptions.values()
        ],
        silent=silent,
        known=directory.destinations,
        problems=[plain(str(item)) for item in directory.problems],
        removed=plain(request.query_params.get("removed", ""))[:80],
        may_manage=visitor_of(request).may("manage"),
    )


async def _posted(
    house: House, request: Request, known: KnownSubscription | None, form: dict[str, list[str]]
) -> Response:
    """Do what the pressed button says."""
    do = next(iter(form.get("do", ())), "find")
    if known is not None and do in {"pause", "resume", "remove"}:
        return await _switched(house, request, known, do)
    wish = written(form)
    if known is not None:
        wish = replace(wish, name=known.name)
    wish = with_codes_ticked(wish, frozenset(item.code for item in watched(house)))
    text = plain(next(iter(form.get("find", ())), ""))
    try:
        if do == "save":
            return await _saved(house, request, known, wish)
        if do == "preview":
            values = values_of(wish, trial=True)
            return await _form(house, request, known, wish, seen=await look_back(house, values, values.get("zone")))
    except UsageError as error:
        wrong = placed(error.problems, FIELDS, CLUES)
        return await _form(house, request, known, wish, wrong=wrong, status=422)
    return await _form(house, request, known, wish, find=text)


async def _saved(house: House, request: Request, known: KnownSubscription | None, wish: Wish) -> Response:
    values, now = values_of(wish), house.clock()
    management = house.management
    if known is None:
        await asyncio.to_thread(management.add_subscription, values, now)
    else:
        await asyncio.to_thread(management.change_subscription, known.name, values, left_out(values), now)
    house.news()
    return _to(request, wish.name, "saved")


async def _switched(house: House, request: Request, known: KnownSubscription, do: str) -> Response:
    management, now = house.management, house.clock()
    work = (
        partial(management.remove_subscription, known.name)
        if do == "remove"
        else partial(management.pause_subscription, known.name, do == "pause", now)
    )
    try:
        await asyncio.to_thread(work)
    except UsageError as error:
        raise Refusal(422, plain(str(error)), headline="Nothing was changed") from error
    house.news()
    if do == "remove":
        return RedirectResponse(f"{root_of(request)}/subscriptions?removed={quote(known.name)}", 303)
    return _to(request, known.name, "paused" if do == "pause" else "resumed")


def _to(request: Request, name: str, done: str) -> Response:
    return RedirectResponse(f"{root_of(request)}/subscriptions/{quote(name, safe='')}?done={done}", 303)


async def _known(house: House, name: str) -> KnownSubscription:
    """Return a subscription; Refusal (404) where there is none."""
    try:
        return await asyncio.to_thread(house.management.subscription, name)
    except UsageError as error:
        detail = f"{plain(str(error))}. It may have been removed."
        raise Refusal(404, detail, headline="No such subscription") from error


async def _read_only(house: House, request: Request, known: KnownSubscription) -> Response:
    section = known.section
    seen = None
    if "preview" in request.query_params:
        values = section.model_dump(mode="json", exclude_unset=True, exclude={"name", "paused"})
        seen = await look_back(house, values, section.zone)
    return show(
        house,
        request,
        "subscription_read.html",
        known=known,
        where=where(section),
        what=what(section),
        when=when(section),
        address=_address(request, known),
        seen=seen,
        mark=level_mark,
        may_manage=visitor_of(request).may("manage"),
    )


async def _form(
    house: House,
    request: Request,
    known: KnownSubscription | None,
    wish: Wish,
    *,
    wrong: Amiss = NOTHING,
    seen: Seen | None = None,
    said: str | None = None,
    find: str = "",
    status: int = 200,
) -> Response:
    if known is not None and known.source == "settings":
        raise Refusal(422, f"{known.name} stands in the settings and is changed there.", headline="Nothing was changed")
    directory = await asyncio.to_thread(house.management.directory)
    stations = watched(house)
    return show(
        house,
        request,
        "subscription.html",
        status=status,
        known=known,
        wish=wish,
        amiss=wrong,
        seen=seen,
        said=said,
        find=find,
        address=_address(request, known),
        levels=list(Level),
        flags=[(flag.value, flag_words(flag)) for flag in Flag],
        countries=countries(stations),
        zones=sorted({item.zone for item in stations if item.zone is not None} | {"UTC"}),
        destinations=list(directory.destinations.values()),
        kind_words=KIND_WORDS,
        all_watched=len(stations),
        mark=level_mark,
        picks=_picks(house, wish.stations, find),
    )


def _address(request: Request, known: KnownSubscription | None) -> str:
    name = quote(known.name, safe="") if known is not None else "new"
    return f"{root_of(request)}/subscriptions/{name}"


def _picks(house: House, ticked: Sequence[str], text: str) -> Picks:
    of_these = tuple(house.watch.stations.get(code) for code in dict.fromkeys(ticked))
    return Picks(of_these, tuple(item for item in found(watched(house), text) if item not in of_these), text)
