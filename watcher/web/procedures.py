"""The checklist pages: what crew and ground crew do at a place, step by step, for the screen and for paper."""

from __future__ import annotations

from collections.abc import Mapping

from fastapi import APIRouter, Depends, Request, Response

from watcher.errors import Gathered, Problem, UsageError, nearest
from watcher.service.planning import operations_at
from watcher.treatment.kinds import Engines, Place
from watcher.treatment.procedure_sheet import PARTIES, Sheet, sheet_of
from watcher.treatment.procedures import Phase
from watcher.web.amiss import NOTHING, Amiss, amiss
from watcher.web.depart import given_of
from watcher.web.doors import page_door
from watcher.web.frame import show
from watcher.web.house import House
from watcher.web.problems import Refusal

FIELDS = ("aircraft", "station", "engines", "who")


def procedure_pages(house: House) -> APIRouter:
    """Return the pages under ``/procedures``."""
    router = APIRouter(include_in_schema=False, dependencies=[Depends(page_door(house, "read"))])

    @router.api_route("/procedures/{place}", methods=["GET", "HEAD"])
    async def procedure(place: str, request: Request) -> Response:
        if place not in list(Place):
            raise Refusal(404, f"There is a checklist for {', '.join(Place)}.", headline="No such place of treatment")
        given = given_of(request, FIELDS)
        try:
            return _page(house, request, given, _sheet(house, Place(place), given), NOTHING)
        except UsageError as error:
            bare = sheet_of(house.procedures[Place(place)])
            return _page(house, request, given, bare, amiss(error.problems, FIELDS), status=422)

    return router


def _sheet(house: House, place: Place, given: Mapping[str, str]) -> Sheet:
    treatments, read = house.treatments, Gathered()
    profile = read.take(lambda: treatments.fleet.profile(given["aircraft"])) if "aircraft" in given else None
    operations = (
        read.take(lambda: operations_at(treatments.operations, given["station"])) if "station" in given else None
    )
    engines = read.take(lambda: _engines(given["engines"])) if "engines" in given else None
    read.check()
    return sheet_of(
        house.procedures[place], profile=profile, operations=operations, engines=engines, who=given.get("who")
    )


def _engines(text: str) -> Engines:
    if text not in list(Engines):
        raise UsageError([Problem("engines", f'"{text}" is not known', nearest(text, Engines))])
    return Engines(text)


def _page(
    house: House, request: Request, given: Mapping[str, str], sheet: Sheet, wrong: Amiss, *, status: int = 200
) -> Response:
    return show(
        house,
        request,
        "procedure.html",
        status=status,
        sheet=sheet,
        phases=list(Phase),
        given=given,
        amiss=wrong,
        places=list(Place),
        fleet=[(name, name) for name in house.treatments.fleet.profiles],
        stations=[(code, code) for code in house.treatments.operations],
        engines=[(each.value, each.value) for each in Engines],
        parties=[(word, who.value) for word, who in PARTIES.items()],
    )
