"""The destinations: where messages can go and whether they arrive; added, changed, paused and tried out here."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from functools import partial
from urllib.parse import quote

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import RedirectResponse

from watcher.errors import UsageError
from watcher.notify.wording import plain
from watcher.service.asking import ask_owner
from watcher.service.directory import KnownDestination
from watcher.web.amiss import NOTHING, Amiss
from watcher.web.deliveries_shown import named_in, row_of
from watcher.web.destinations_buttons import BUTTONS, Said, asked, sentence
from watcher.web.destinations_form import (
    CLUES,
    FIELDS,
    KINDS,
    SHAPES,
    given_of,
    kind_of,
    new_name,
    secret_of,
    values_of,
    written,
)
from watcher.web.destinations_shown import fallbacks_for, shown
from watcher.web.doors import page_door, visitor_of
from watcher.web.forms import form_fields
from watcher.web.frame import root_of, show
from watcher.web.house import House
from watcher.web.problems import Refusal
from watcher.web.subscriptions_amiss import placed

_LAST = 10


def destination_pages(house: House) -> APIRouter:
    """Return the pages under ``/destinations``."""
    router = APIRouter(include_in_schema=False)
    reading, managing = [Depends(page_door(house, "read"))], [Depends(page_door(house, "manage"))]

    @router.api_route("/destinations", methods=["GET", "HEAD"], dependencies=reading)
    async def look(request: Request) -> Response:
        return await _list(house, request)

    @router.api_route("/destinations/new", methods=["GET", "HEAD"], dependencies=managing)
    async def ask(request: Request) -> Response:
        return await _form(house, request, kind_of(request.query_params.get("kind")), written({}), NOTHING)

    @router.post("/destinations/new", dependencies=managing)
    async def add(request: Request) -> Response:
        return await _add(house, request, await form_fields(request))

    @router.api_route("/destinations/{name:path}", methods=["GET", "HEAD"], dependencies=reading)
    async def look_at(name: str, request: Request) -> Response:
        return await _page(house, request, await _known(house, name))

    @router.post("/destinations/{name:path}", dependencies=managing)
    async def change(name: str, request: Request) -> Response:
        fields = await form_fields(request)
        known = await _known(house, name)
        if fields.get("do") == "change":
            return await _change(house, request, known, fields)
        do = BUTTONS.get(fields.get("do", ""))
        if do is None:
            raise Refusal(422, "Press one of the buttons of the page; nothing was changed.")
        try:
            said = await do(house, known, fields, visitor_of(request).name)
        except UsageError as error:
            said = Said(" ".join(sentence(item) for item in error.problems), well=False)
        if said is None:
            return RedirectResponse(f"{root_of(request)}/destinations", 303)
        return await _page(house, request, await _known(house, name), said=said, status=200 if said.well else 422)

    return router


async def _list(house: House, request: Request) -> Response:
    directory = await asyncio.to_thread(house.management.directory)
    arrivals = await asyncio.to_thread(house.store.arrivals)
    may_manage = visitor_of(request).may("manage")
    return show(
        house,
        request,
        "destinations.html",
        destinations=[
            shown(item, directory, arrivals, directory.problems, whole=may_manage)
            for item in directory.destinations.values()
        ],
        problems=[plain(str(item)) for item in directory.problems],
        may_manage=may_manage,
    )


async def _form(
    house: House, request: Request, kind: str, given: Mapping[str, str], wrong: Amiss, *, status: int = 200
) -> Response:
    return show(
        house,
        request,
        "destination_new.html",
        status=status,
        kind=kind,
        kinds=KINDS,
        shapes=SHAPES.items(),
        given=given,
        amiss=wrong,
        mail=house.settings.text.mail is not None,
        fallbacks=fallbacks_for("", await asyncio.to_thread(house.management.directory)),
    )


async def _add(house: House, request: Request, fields: Mapping[str, str]) -> Response:
    kind, given, now = kind_of(fields.get("kind")), written(fields), house.clock()
    try:
        secret, made = secret_of(kind, given, new=True)
        values = {"name": new_name(given["name"]), **values_of(kind, given)}
        section = await asyncio.to_thread(house.management.add_destination, values, secret, now)
    except UsageError as error:
        return await _form(house, request, kind, given, placed(error.problems, FIELDS, CLUES), status=422)
    house.news()
    said = Said("It is added. Send a test message, then name it in a subscription.")
    if section.address is not None:
        refused = await ask_owner(house.settings, section.name, section.address, house.key, now)
        said = asked(section.address, refused)
    elif made:
        said = Said(
            "It is added. The receiver checks signatures with this secret, which is shown this once:", True, secret
        )
    return await _page(house, request, await _known(house, section.name), said=said, status=201)


async def _change(house: House, request: Request, known: KnownDestination, fields: Mapping[str, str]) -> Response:
    kind, given, now = known.section.kind, written(fields), house.clock()
    try:
        secret, _ = secret_of(kind, given, new=False)
        changed = partial(house.management.change_destination, known.name, values_of(kind, given), secret, now)
        to_confirm = await asyncio.to_thread(changed)
    except UsageError as error:
        return await _page(house, request, known, given=given, wrong=placed(error.problems, FIELDS, CLUES), status=422)
    house.news()
    said = Said("It is changed.")
    if to_confirm:
        refused = await ask_owner(house.settings, known.name, given["address"], house.key, now)
        said = asked(given["address"], refused)
    return await _page(house, request, await _known(house, known.name), said=said)


async def _known(house: House, name: str) -> KnownDestination:
    """Return a destination; Refusal (404) where there is none."""
    try:
        return await asyncio.to_thread(house.management.destination, name)
    except UsageError as error:
        problem = error.problems[0]
        detail = f"{sentence(problem)} It may have been removed."
        raise Refusal(404, detail, headline="No such destination") from error


async def _page(
    house: House,
    request: Request,
    known: KnownDestination,
    *,
    said: Said | None = None,
    given: Mapping[str, str] | None = None,
    wrong: Amiss = NOTHING,
    status: int = 200,
) -> Response:
    directory = await asyncio.to_thread(house.management.directory)
    arrivals = await asyncio.to_thread(house.store.arrivals)
    deliveries = await asyncio.to_thread(house.store.deliveries, _LAST, destination=known.name)
    events = await asyncio.to_thread(house.store.events_named, named_in(deliveries))
    may_manage = visitor_of(request).may("manage")
    return show(
        house,
        request,
        "destination.html",
        status=status,
        destination=shown(known, directory, arrivals, directory.problems, whole=may_manage),
        kind=known.section.kind,
        shapes=SHAPES.items(),
        address=f"{root_of(request)}/destinations/{quote(known.name, safe='')}",
        rows=[row_of(item, events) for item in deliveries],
        fallbacks=fallbacks_for(known.name, directory),
        given=given if given is not None else given_of(known.section),
        amiss=wrong,
        said=said,
        may_manage=may_manage,
    )
