"""The page of one treated aircraft: for whoever is signed in, and behind a signed link for the phone of its crew.

Both show the same; what is pressed there is written once, whoever sends it how often.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from fastapi import APIRouter, Request, Response
from fastapi.responses import JSONResponse, RedirectResponse
from markupsafe import Markup

from watcher.errors import UsageError
from watcher.links import read_protection
from watcher.service.protections import Protections, Reading
from watcher.units import clock_z
from watcher.web.forms import form_fields
from watcher.web.frame import POLICY, root_of
from watcher.web.house import House
from watcher.web.pages import page, piece
from watcher.web.problems import Refusal
from watcher.web.protections_card import Card, card_of
from watcher.web.protections_press import ASKED_TWICE, SEEN, new_id, press_of
from watcher.web.static import static_url

# What is asked before a press counts, and what answers yes.
QUESTIONS: Final = {
    "treated": ("Has the last fluid gone on? The waits for bleed air run from now.", "Yes, the treatment has ended"),
    "took-off": ("Has it taken off? The clocks end for everybody.", "Yes, it has taken off"),
    "returned": (
        "End the clocks for everybody, without a take-off? Another treatment is another protection.",
        "Yes, end the clocks",
    ),
}
# So long after the end the page behind a link shows the record.
LINK_LASTS = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class PhoneLink:
    """What the phone of a crew opens. `code`: the same as a QR code. `only_here`: no other machine can open it."""

    address: str
    code: Markup
    only_here: bool


@dataclass(frozen=True, slots=True)
class Seat:
    """From where somebody looks at one aircraft.

    `name`: of the protection. `base`: the address of its page, from the root of the host. `may_press`: whether they may
    change something. `link`: None where it is not shown.
    """

    name: str
    base: str
    may_press: bool
    link: PhoneLink | None = None


def phone_pages(house: House) -> APIRouter:
    """Return the pages under ``/p``: who has the link may look and press, until a day after the end."""
    router = APIRouter(include_in_schema=False)

    @router.api_route("/p/{sealed}", methods=["GET", "HEAD"])
    async def look(sealed: str, request: Request) -> Response:
        return await shown(house, request, _seat(house, request, sealed), lasts=LINK_LASTS)

    @router.get("/p/{sealed}/now")
    async def now(sealed: str, request: Request) -> Response:
        return await answered(house, request, _seat(house, request, sealed), lasts=LINK_LASTS)

    @router.post("/p/{sealed}/press")
    async def press(sealed: str, request: Request) -> Response:
        seat = _seat(house, request, sealed)
        house.origin.check(request, absent_is_fine=False)
        return await taken(house, request, seat, lasts=LINK_LASTS)

    return router


def protections_of(house: House) -> Protections:
    """Return the treated aircraft; Refusal (503) where there are no tables to judge them by."""
    if house.protections is None:
        raise Refusal(503, "No holdover tables are loaded here, so no protection can be kept.", headline="No tables")
    return house.protections


async def shown(
    house: House, request: Request, seat: Seat, *, wrong: str | None = None, lasts: timedelta | None = None
) -> Response:
    """Return the page. `wrong`: why a press was not taken. `lasts`: how long after the end it is shown."""
    card = await asyncio.to_thread(_card, house, seat.name, lasts)
    values = _around(request, card, seat)
    headers = {"Content-Security-Policy": POLICY}
    return page("protection.html", status=422 if wrong else 200, headers=headers, wrong=wrong, **values)


async def answered(house: House, request: Request, seat: Seat, *, lasts: timedelta | None = None) -> Response:
    """Return what the script asks for again and again: the pieces of the page, only the time where nothing changed."""
    card = await asyncio.to_thread(_card, house, seat.name, lasts)
    return _told(request, card, seat, request.query_params.get("have"))


async def taken(house: House, request: Request, seat: Seat, *, lasts: timedelta | None = None) -> Response:
    """Take a press, and return how it stands then: to the script as pieces, else by the page itself."""
    fields = await form_fields(request)
    by_script = "application/json" in request.headers.get("accept", "")
    now = house.clock()
    await asyncio.to_thread(_card, house, seat.name, lasts)
    try:
        press = press_of(fields, now)
        if press.kind in ASKED_TWICE and fields.get("sure") != "yes":
            return await _sure(house, request, seat, fields)
        reading = await asyncio.to_thread(protections_of(house).press, seat.name, press, house.procedures, now)
    except UsageError as error:
        if by_script:
            raise Refusal(409, _why_not(error)) from error
        return await shown(house, request, seat, wrong=_why_not(error))
    house.news()
    if not by_script:
        return RedirectResponse(seat.base, 303)
    return _told(request, await asyncio.to_thread(_made, house, reading), seat, None)


async def _sure(house: House, request: Request, seat: Seat, fields: dict[str, str]) -> Response:
    card = await asyncio.to_thread(_card, house, seat.name, None)
    values = _around(request, card, seat)
    question, answer = QUESTIONS[fields["kind"]]
    headers = {"Content-Security-Policy": POLICY}
    return page("protection_sure.html", headers=headers, fields=fields, question=question, answer=answer, **values)


def _card(house: House, name: str, lasts: timedelta | None) -> Card:
    now = house.clock()
    try:
        reading = protections_of(house).read(name, now)
    except UsageError as error:
        raise Refusal(404, "This aircraft is not kept here (any more).", headline="No such protection") from error
    if lasts is not None and _is_long_over(reading, now, lasts):
        ended = clock_z(reading.protection.ended_at or now)
        raise Refusal(410, f"It ended at {ended}, more than a day ago; the link is closed.", headline="It is over")
    return _made(house, reading)


def _made(house: House, reading: Reading) -> Card:
    protection = reading.protection
    events = house.store.events_of(protection.id)
    return card_of(reading, house.watch.stations.get(protection.station), house.procedures, events)


def _is_long_over(reading: Reading, now: datetime, lasts: timedelta) -> bool:
    ended_at = reading.protection.ended_at
    return ended_at is not None and now - ended_at > lasts


def _told(request: Request, card: Card, seat: Seat, have: str | None) -> Response:
    answer: dict[str, object] = {"at_ms": ms(card.at), "stamp": card.stamp}
    if have != card.stamp:
        answer["html"] = piece("protection_parts.html", **_around(request, card, seat))
    return JSONResponse(answer)


def _around(request: Request, card: Card, seat: Seat) -> dict[str, Any]:
    """Return what the templates of the page know."""
    root = root_of(request)
    return {
        "root": root,
        "static": lambda name: static_url(root, name),
        "card": card,
        "base": seat.base,
        "begun": request.query_params.get("begun") == "yes",
        "link": seat.link,
        "may_press": seat.may_press and card.protection.live,
        "may_begin": seat.may_press and not seat.base.startswith(f"{root}/p/") and not card.protection.live,
        "by_link": seat.base.startswith(f"{root}/p/"),
        "seen": SEEN,
        "questions": QUESTIONS,
        "new_id": new_id,
        "z": clock_z,
        "ms": ms,
        "left": left,
    }


def _seat(house: House, request: Request, sealed: str) -> Seat:
    permitted = read_protection(house.key, sealed)
    if permitted is None:
        raise Refusal(
            404,
            "This link is not whole, or it was not made here. Take it from the screen again.",
            headline="No aircraft behind this link",
        )
    return Seat(permitted.protection, f"{root_of(request)}/p/{sealed}", may_press=True)


def ms(moment: datetime) -> int:
    """Return a time in milliseconds since 1970, as scripts count."""
    return round(moment.timestamp() * 1000)


def left(end: datetime, now: datetime) -> str:
    """Return the time until an end, or since it, as minutes and seconds."""
    seconds = abs(int((end - now).total_seconds()))
    return f"{seconds // 60}:{seconds % 60:02d}"


def _why_not(error: UsageError) -> str:
    return " ".join(f"{item.what}{f'; {item.remedy}' if item.remedy else ''}." for item in error.problems)
