"""Treated aircraft as programs begin, read and end them."""

from __future__ import annotations

import asyncio
from datetime import datetime
from typing import Annotated, Any

from fastapi import Path, Query, Request, Response
from pydantic import Field

from watcher.errors import Gathered, Problem
from watcher.notify.wording import plain
from watcher.service.protection_asking import Asked as Given
from watcher.service.protection_asking import wanted
from watcher.service.protection_contract import as_contract
from watcher.service.protections import Protections, Reading
from watcher.treatment.parse_asked import visibility_of, weather_of
from watcher.treatment.press import Press, PressKind
from watcher.treatment.protection_steps import checklist_step
from watcher.treatment.protection_weather import Entered
from watcher.web.api import ApiRouter, Gate
from watcher.web.doors import visitor_of
from watcher.web.etags import answer, made_at
from watcher.web.house import House
from watcher.web.problems import Refusal
from watcher.web.rest.fields import Asked
from watcher.web.rest.protection_bodies import NewProtection, PressAsked, ProtectionBody, ProtectionsBody

_Id = Annotated[str, Path(description="Such as XNOR-P3.", pattern=r"^[A-Z][A-Z0-9]{3}-P[0-9]{1,9}$")]
_MOST_LISTED = 500


class ProtectionsQuestion(Asked):
    """Which treated aircraft are asked for."""

    ended: bool = Field(False, description="Those that have ended, too.")


def protection_api(house: House, gate: Gate) -> ApiRouter:
    """Return the routes under ``/api/v1/protections``."""
    router = ApiRouter(gate, "/protections", "protections")

    @router.reads("", ProtectionsBody)
    async def list_protections(request: Request, asked: Annotated[ProtectionsQuestion, Query()]) -> Response:
        """List treated aircraft as they stand now, the lost and the shortest first."""
        found = await asyncio.to_thread(_desk(house).all, house.clock(), live_only=not asked.ended)
        return answer(request, {"items": [_told(house, request, reading) for reading in found[:_MOST_LISTED]]})

    @router.reads("/{protection}", ProtectionBody, 404)
    async def read_protection(request: Request, protection: _Id) -> Response:
        """Say how many minutes are left, when the bleed waits end, and what comes next."""
        await _known(house, protection)
        return answer(
            request, _told(house, request, await asyncio.to_thread(_desk(house).read, protection, house.clock()))
        )

    @router.acts("POST", "", ProtectionBody, scope="acknowledge", status=201)
    async def start_protection(request: Request, body: NewProtection) -> Response:
        """Begin the clocks of a treated aircraft. The holdover time runs from the start of the final application.

        Whoever follows the station is told at once when it becomes shorter or is lost.
        """
        desk, now = _desk(house), house.clock()
        lout = None if body.lout_c is None else f"{body.lout_c:g}"
        given = Given(**body.model_dump(exclude={"lout_c"}), lout=lout)

        def begin() -> Reading:
            return desk.start(wanted(given, house.treatments, now), now)

        reading = await asyncio.to_thread(begin)
        house.news()
        place = made_at("protections", reading.protection.id)
        return answer(request, _told(house, request, reading), status=201, headers=place)

    @router.acts("POST", "/{protection}/presses", ProtectionBody, 404, scope="acknowledge")
    async def press(request: Request, protection: _Id, body: PressAsked) -> Response:
        """Say what was done or seen: a step, the end of the treatment, weather, the take-off. No clock gets longer.

        The same press sent twice counts once, so that a program may send it again when it got no answer.
        """
        await _known(house, protection)
        now = house.clock()

        def pressed() -> Reading:
            said = Press(
                id=body.id,
                kind=PressKind(body.kind),
                at=body.at or now,
                step=body.step,
                of=body.of,
                entered=_entered(body, now) if body.kind == "seen" else None,
                take_off_at=body.take_off_at,
            )
            return _desk(house).press(protection, said, house.procedures, now)

        reading = await asyncio.to_thread(pressed)
        house.news()
        return answer(request, _told(house, request, reading))

    return router


def _desk(house: House) -> Protections:
    if house.protections is None:
        raise Refusal(503, "No holdover tables are loaded here, so no treated aircraft can be judged.")
    return house.protections


async def _known(house: House, name: str) -> None:
    if await asyncio.to_thread(house.store.protection, name) is None:
        raise Refusal(404, f'There is no protection "{plain(name)}".')


def _told(house: House, request: Request, reading: Reading) -> dict[str, Any]:
    protection = reading.protection
    step = None
    if protection.place is not None and protection.live:
        step = checklist_step(house.procedures[protection.place], protection, reading.clocks.standing)
    # Whoever has the link may press.
    may_press = protection.live and visitor_of(request).may("acknowledge")
    link = house.links.protection(protection.id) if may_press and house.links is not None else None
    return as_contract(reading, step) | {"link": link}


def _entered(body: PressAsked, now: datetime) -> Entered:
    """Return what the crew sees; UsageError with all that cannot be read."""
    read = Gathered()
    groups = None if body.weather is None else read.take(lambda: weather_of(body.weather or "", "weather"))
    seen = None if body.visibility is None else read.take(lambda: visibility_of(body.visibility or "", "visibility"))
    metres, bound = seen or (None, None)
    if not read.problems and not groups and metres is None and not body.frost:
        remedy = "give weather, visibility or frost; better weather is not entered, it lengthens nothing"
        read.problems.append(Problem("weather", "has nothing to enter", remedy))
    read.check()
    return Entered(now, groups or None, 0.0 if bound == "below" else metres, body.frost)
