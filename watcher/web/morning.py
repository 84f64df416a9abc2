"""The morning list pages: departures are uploaded or pasted, and their list stays here for a shift, to be made again.

What is kept is the departures as they were given and the list that was made of them. It is made anew when somebody asks
for it, so that whoever works by it is not surprised; the page says when newer reports are in, and what has changed.
"""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime
from typing import Any

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from watcher.errors import UsageError
from watcher.notify.message import CAUTION
from watcher.treatment.listed import Morning
from watcher.treatment.morning_contract import as_contract, as_csv
from watcher.treatment.parse_departures import COLUMNS, NEEDED, Progress
from watcher.units import clock_z
from watcher.web.amiss import NOTHING, Amiss, amiss
from watcher.web.depart import view_at
from watcher.web.doors import page_door, visitor_of
from watcher.web.forms import form_fields
from watcher.web.frame import around, root_of, show
from watcher.web.house import House
from watcher.web.morning_made import MOST_DEPARTURES, list_of, reports_with, wanted_of
from watcher.web.morning_sample import sample_csv
from watcher.web.morning_shelf import Kept, Shelf, Wanted
from watcher.web.morning_shown import brief_of, list_shown
from watcher.web.pages import piece
from watcher.web.problems import Refusal

# Of many wrong lines the first ones say what is wrong with all.
_MOST_PROBLEMS = 40
_GONE = (
    "Lists are kept here for 18 hours and not over a restart of the service. Make it again from the file of departures."
)


def morning_pages(house: House) -> APIRouter:
    """Return the pages under ``/morning``."""
    router = APIRouter(include_in_schema=False, dependencies=[Depends(page_door(house, "read"))])
    shelf = Shelf()

    async def made(request: Request, wanted: Wanted) -> Response:
        """Make a list, keep it and lead to it; where it cannot be made, say why above what it was to be made of."""
        try:
            known, found = await list_of(house, wanted)
        except UsageError as error:
            return _form(house, request, shelf, wanted, _cut(amiss(error.problems, ())), status=422)
        kept = shelf.put(known, found, visitor_of(request).name)
        return RedirectResponse(f"{root_of(request)}/morning/{kept.id}", 303)

    @router.api_route("/morning", methods=["GET", "HEAD"])
    async def begin(request: Request) -> Response:
        return _form(house, request, shelf, Wanted(), NOTHING)

    @router.post("/morning")
    async def make(request: Request) -> Response:
        wanted = await wanted_of(request)
        old = shelf.get(wanted.name, house.clock())
        return await made(request, wanted if old is None else replace(wanted, reports=old.wanted.reports))

    @router.api_route("/morning/template.csv", methods=["GET", "HEAD"])
    async def template() -> Response:
        return _file(sample_csv(house.clock(), house.treatments), "text/csv; charset=utf-8", "departures.csv")

    @router.api_route("/morning/{name}", methods=["GET", "HEAD"])
    async def read(name: str, request: Request) -> Response:
        now = house.clock()
        return await _list(house, request, _found(shelf, name, now), NOTHING, now)

    @router.api_route("/morning/{name}/state", methods=["GET", "HEAD"])
    async def state(name: str, request: Request) -> Response:
        now = house.clock()
        known = await _state(house, _found(shelf, name, now), now)
        return HTMLResponse(piece("morning_state.html", **around(house, request), list=known))

    @router.post("/morning/{name}/again")
    async def again(name: str, request: Request) -> Response:
        return await made(request, replace(_found(shelf, name, house.clock()).wanted, name=name))

    @router.post("/morning/{name}/report", dependencies=[Depends(page_door(house, "acknowledge"))])
    async def report(name: str, request: Request) -> Response:
        now = house.clock()
        kept, fields = _found(shelf, name, now), await form_fields(request)
        try:
            reports = reports_with(kept.wanted, kept.made, fields, house.treatments.zones, now)
        except UsageError as error:
            return await _list(house, request, kept, amiss(error.problems, ()), now, status=422)
        return await made(request, replace(kept.wanted, name=name, reports=reports))

    @router.api_route("/morning/{name}/list.csv", methods=["GET", "HEAD"])
    async def as_table(name: str) -> Response:
        made = _found(shelf, name, house.clock()).made
        return _file(as_csv(made), "text/csv; charset=utf-8", f"{_file_name(made)}.csv")

    @router.api_route("/morning/{name}/list.json", methods=["GET", "HEAD"])
    async def as_values(name: str) -> Response:
        made = _found(shelf, name, house.clock()).made
        text = json.dumps(as_contract(made, CAUTION), ensure_ascii=False, indent=1)
        return _file(text, "application/json", f"{_file_name(made)}.json")

    return router


def _cut(wrong: Amiss) -> Amiss:
    """Return what is wrong, no more of it than somebody reads."""
    if len(wrong.above) <= _MOST_PROBLEMS:
        return wrong
    more = f"And {len(wrong.above) - _MOST_PROBLEMS} more of the kind."
    return Amiss(wrong.beside, (*wrong.above[:_MOST_PROBLEMS], more))


async def _list(
    house: House, request: Request, kept: Kept, wrong: Amiss, now: datetime, *, status: int = 200
) -> Response:
    state, may_report = await _state(house, kept, now), visitor_of(request).may("acknowledge")

    def made() -> Response:
        return show(
            house,
            request,
            "morning_list.html",
            status=status,
            shown=list_shown(kept, root_of(request), now),
            list=state,
            by=kept.by,
            may_report=may_report,
            reports=[each.value for each in (Progress.TREATED, Progress.CLEAN, Progress.CANCELLED)],
            **_asking(house, replace(kept.wanted, name=kept.id), wrong),
        )

    # A page of hundreds of lines takes a while to make.
    return await house.heavy.run(made)


def _found(shelf: Shelf, name: str, now: datetime) -> Kept:
    kept = shelf.get(name, now)
    if kept is None:
        raise Refusal(404, _GONE, headline="This list is not here any more")
    return kept


async def _state(house: House, kept: Kept, now: datetime) -> dict[str, object]:
    """Return whether a list is still of the newest reports."""
    made = kept.made
    newer = await _newer(house, made, now)
    return {"id": kept.id, "made": clock_z(made.made_at), "newer": newer}


async def _newer(house: House, made: Morning, now: datetime) -> tuple[str, ...]:
    """Return the stations of which there is a newer report or TAF than the list rests on, with its time."""
    found = []
    for data in made.data:
        view = await view_at(house, data.station, now)
        seen = None if view.observation is None else view.observation.observed_at
        issued = None if view.taf is None else view.taf.issued_at
        if seen is not None and seen != data.observed_at:
            found.append(f"{data.station} report of {clock_z(seen)}")
        if issued is not None and issued != data.forecast_issued_at:
            found.append(f"{data.station} TAF of {clock_z(issued)}")
    return tuple(found)


def _form(house: House, request: Request, shelf: Shelf, wanted: Wanted, wrong: Amiss, *, status: int = 200) -> Response:
    now = house.clock()
    return show(
        house,
        request,
        "morning.html",
        status=status,
        lists=[brief_of(kept, now) for kept in shelf.all(now)[:12]],
        **_asking(house, wanted, wrong),
    )


def _asking(house: House, wanted: Wanted, wrong: Amiss) -> dict[str, Any]:
    """Return what the form knows."""
    treatments = house.treatments
    return {
        "text": wanted.text,
        "given": {"station": wanted.station or "", "training": wanted.training},
        "list_name": wanted.name,
        "amiss": wrong,
        "stations": [(code, code) for code in treatments.operations],
        "columns": [(name, name in NEEDED, also, meaning) for name, (also, meaning) in COLUMNS.items()],
        "fleet": sorted(treatments.fleet.profiles),
        "sample": sample_csv(house.clock(), treatments),
        "most": MOST_DEPARTURES,
        "any_in_force": any(each.in_force(house.clock().date()) for each in treatments.tables.sets),
    }


def _file(text: str, kind: str, name: str) -> Response:
    headers = {"Content-Disposition": f'attachment; filename="{name}"', "Content-Type": kind}
    return Response(text.encode(), headers=headers)


def _file_name(made: Morning) -> str:
    return f"morning-list-{made.made_at:%Y%m%d-%H%M}Z"
