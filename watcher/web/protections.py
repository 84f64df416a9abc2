"""The treated aircraft for whoever is signed in: all of them, a new one, and the page of each."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from typing import Any
from urllib.parse import urlsplit

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import JSONResponse, RedirectResponse
from markupsafe import Markup

from watcher.errors import UsageError
from watcher.links import LinkMaker
from watcher.service.protection_asking import LONGEST_NAME, wanted
from watcher.units import clock_z
from watcher.web.doors import page_door, visitor_of
from watcher.web.forms import form_fields
from watcher.web.frame import around, root_of, show
from watcher.web.house import House
from watcher.web.pages import piece
from watcher.web.problems import Refusal
from watcher.web.protections_card import Card, card_of
from watcher.web.protections_form import Wish, choices_of, field_problems, wish_of
from watcher.web.protections_phone import PhoneLink, Seat, answered, left, ms, protections_of, shown, taken
from watcher.web.qr import qr_picture

_LOOPBACK = ("127.", "localhost", "[::1]")
# The rest is in the archive of whoever keeps one; the page stays short.
_MOST_ENDED = 50


def protection_pages(house: House) -> APIRouter:
    """Return the pages under ``/protections``."""
    router = APIRouter(include_in_schema=False)
    read = [Depends(page_door(house, "read"))]
    acknowledge = [Depends(page_door(house, "acknowledge"))]

    @router.api_route("/protections", methods=["GET", "HEAD"], dependencies=read)
    async def everyone(request: Request) -> Response:
        values = await _listed(house, request)
        return show(house, request, "protections.html", **values)

    @router.get("/protections/now", dependencies=read)
    async def everyone_now(request: Request) -> Response:
        values = await _listed(house, request)
        answer: dict[str, object] = {"at_ms": ms(house.clock()), "stamp": values["stamp"]}
        if request.query_params.get("have") != values["stamp"]:
            answer["html"] = piece("protections_parts.html", **(around(house, request) | values))
        return JSONResponse(answer)

    @router.api_route("/protections/new", methods=["GET", "HEAD"], dependencies=acknowledge)
    async def ask(request: Request) -> Response:
        return await _form(house, request, await _first(house, request))

    @router.post("/protections/new", dependencies=acknowledge)
    async def begin(request: Request) -> Response:
        wish = Wish(await form_fields(request))
        now = house.clock()
        try:
            protection = wanted(wish.asked, house.treatments, now)
            reading = await asyncio.to_thread(protections_of(house).start, protection, now)
        except UsageError as error:
            return await _form(house, request, replace(wish, wrong=field_problems(error)))
        house.news()
        return RedirectResponse(f"{root_of(request)}/protections/{reading.protection.id}?begun=yes", 303)

    @router.api_route("/protections/{name}", methods=["GET", "HEAD"], dependencies=read)
    async def look(name: str, request: Request) -> Response:
        return await shown(house, request, _seat(house, request, name, with_link=True))

    @router.get("/protections/{name}/now", dependencies=read)
    async def now(name: str, request: Request) -> Response:
        return await answered(house, request, _seat(house, request, name))

    @router.post("/protections/{name}/press", dependencies=acknowledge)
    async def press(name: str, request: Request) -> Response:
        return await taken(house, request, _seat(house, request, name))

    return router


def _seat(house: House, request: Request, name: str, *, with_link: bool = False) -> Seat:
    may_press = visitor_of(request).may("acknowledge")
    link = _link(house, request, name.upper()) if with_link and may_press else None
    return Seat(name.upper(), f"{root_of(request)}/protections/{name.upper()}", may_press, link)


def _link(house: House, request: Request, name: str) -> PhoneLink:
    """Return the link for a phone; where nobody said what the public address is, by the one that was asked."""
    here = f"{request.url.scheme}://{request.headers.get('host', '')}{root_of(request)}"
    base = house.public_url or here
    address = LinkMaker(base, house.key).protection(name)
    only_here = urlsplit(base).netloc.startswith(_LOOPBACK)
    code = Markup(qr_picture(address, said="The same link as a QR code"))  # noqa: S704 - drawn by pictures.svg
    return PhoneLink(address, code, only_here)


async def _listed(house: House, request: Request) -> dict[str, Any]:
    """Return what the list shows: the live ones, the most urgent first, and on demand those that have ended."""
    with_ended = request.query_params.get("ended") == "yes"
    cards = await asyncio.to_thread(_cards, house, live_only=not with_ended)
    live = [card for card in cards if card.protection.live]
    over = sorted((card for card in cards if not card.protection.live), key=_ended_at, reverse=True)
    stamp = "-".join(card.stamp[:8] for card in cards)
    return {
        "live": live,
        "over": over[:_MOST_ENDED],
        "with_ended": with_ended,
        "may_press": visitor_of(request).may("acknowledge"),
        "stamp": f"{len(cards)}-{stamp}",
        "at": house.clock(),
        "z": clock_z,
        "ms": ms,
        "left": left,
    }


def _cards(house: House, *, live_only: bool) -> list[Card]:
    found = protections_of(house).all(house.clock(), live_only=live_only)
    return [card_of(each, house.watch.stations.get(each.protection.station), house.procedures, ()) for each in found]


def _ended_at(card: Card) -> float:
    return card.protection.ended_at.timestamp() if card.protection.ended_at is not None else 0.0


async def _first(house: House, request: Request) -> Wish:
    """Return what stands in the form at first: what the address says, such as a plan's, or what another one has."""
    given = dict(request.query_params)
    if "as" not in given:
        return Wish(given)
    try:
        reading = await asyncio.to_thread(protections_of(house).read, given["as"], house.clock())
    except UsageError as error:
        raise Refusal(404, "That aircraft is not kept here (any more).", headline="No such protection") from error
    return wish_of(reading.protection, house.treatments.fleet, house.clock())


async def _form(house: House, request: Request, wish: Wish) -> Response:
    choices = choices_of(house, wish.text("station"))
    return show(
        house,
        request,
        "protection_new.html",
        status=422 if wish.wrong else 200,
        wish=wish,
        choices=choices,
        longest_name=LONGEST_NAME,
        z=clock_z,
    )
