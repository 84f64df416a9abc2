"""The frost forecast of a station, asked by a program as `hoarline night` asks it."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated, Any

from fastapi import Query, Request, Response
from pydantic import Field

from watcher.moments import time_ahead
from watcher.service.night_asking import Parked, craft_of
from watcher.web.api import ApiRouter, Gate
from watcher.web.etags import answer
from watcher.web.house import House
from watcher.web.rest.fields import Asked, StationCode
from watcher.web.rest.night_body import NightBody
from watcher.web.rest.stations import known_view

_AHEAD = timedelta(hours=15)
_TIME = Annotated[str, Field(min_length=2, max_length=40)]


class NightQuestion(Asked):
    """The departure, and what is known of the parked aircraft."""

    until: _TIME | None = Field(
        None, description="Departure: 0540Z, 2026-01-12T05:40Z or 6h, at most 30 h ahead. Left out: 15 h ahead."
    )
    fuel_c: float | None = Field(None, ge=-60, le=60, description="Temperature of the fuel in the wings, °C.")
    hangar_exit: _TIME | None = Field(None, description="When it leaves or left the hangar: 0300Z.")
    hangar_c: float | None = Field(None, ge=-40, le=40, description="Temperature in the hangar, °C.")
    treated: _TIME | None = Field(None, description="When it was or will be made clean: 0100Z.")
    arrived: _TIME | None = Field(None, description="Since when it stands outside: 2130Z.")
    sky: float = Field(1.0, ge=0, le=1, description="Share of the sky that the wing sees: 1 in the open.")
    emissivity: float | None = Field(
        None, ge=0.02, le=1, description="Of the upper skin: about 0.9 painted, 0.1 bare polished metal."
    )
    members: int = Field(200, ge=20, le=2000, description="Size of the ensemble.")


def night_api(house: House, gate: Gate) -> ApiRouter:
    """Return the route of the frost forecast."""
    router = ApiRouter(gate, "/stations", "stations")

    @router.reads("/{code}/night", NightBody, 404)
    async def read_night(request: Request, code: StationCode, asked: Annotated[NightQuestion, Query()]) -> Response:
        """Say how likely frost is on a parked aircraft, when it begins and ends, and what the answer hangs on.

        No measurement of an aircraft's wing stands behind this. The aircraft is checked by hand.
        """
        view = known_view(house, code)

        def compute() -> dict[str, Any]:
            from watcher.service.night_answers import Asked as Put  # noqa: PLC0415 - loads numpy
            from watcher.service.night_answers import answers  # noqa: PLC0415

            now = house.clock()
            departs_at = time_ahead("until", asked.until, now) if asked.until is not None else None
            put = Put(now, departs_at or now + _AHEAD, departs_at)
            given = asked.model_dump(exclude={"until", "members"})
            [found] = answers([view], put, craft_of(Parked(**given), now, put.until), asked.members)
            return found.as_contract()

        return answer(request, await house.heavy.run(compute))

    return router
