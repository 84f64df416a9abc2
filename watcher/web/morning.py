"""The morning list pages: departures are uploaded or pasted, and their list stays here for a shift, to be made again.

What is kept is the departures as they were given and the list that was made of them. It is made anew when somebody asks
for it, so that whoever works by it is not surprised; the page says when newer reports are in, and what has changed.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from watcher.alerts.latest import question_of
from watcher.alerts.model import StationView
from watcher.errors import Problem, UsageError
from watcher.notify.message import CAUTION
from watcher.service.planning import plan_morning
from watcher.treatment.listed import Morning
from watcher.treatment.morning_contract import as_contract, as_csv
from watcher.treatment.parse_departures import COLUMNS, NEEDED, Listed, parse_departures
from watcher.units import clock_z
from watcher.web.amiss import NOTHING, Amiss, amiss
from watcher.web.depart import view_at
from watcher.web.doors import page_door, visitor_of
from watcher.web.forms import form_values
from watcher.web.frame import around, root_of, show
from watcher.web.house import House
from watcher.web.morning_sample import sample_csv
from watcher.web.morning_shelf import Kept, Shelf
from watcher.web.morning_shown import list_shown
from watcher.web.pages import piece
from watcher.web.problems import Refusal

# As many as one person reads; more are several lists.
MOST_DEPARTURES = 600
# Of many wrong lines the first ones say what is wrong with all.
_MOST_PROBLEMS = 40
_GONE = (
    "Lists are kept here for 18 hours and not over a restart of the service. Make it again from the file of departures."
)


@dataclass(frozen=True, slots=True)
class _Given:
    """What was posted."""

    text: str
    station: str | None
    training: bool
    name: str


def morning_pages(house: House) -> APIRouter:
    """Return the pages under ``/morning``."""
    router = APIRouter(include_in_schema=False, dependencies=[Depends(page_door(house, "read"))])
    shelf = Shelf()

    @router.api_route("/morning", methods=["GET", "HEAD"])
    async def begin(request: Request) -> Response:
        return _form(house, request, shelf, _Given("", None, False, ""), NOTHING)

    @router.post("/morning")
    async def make(request: Request) -> Response:
        given = await _posted(request)
        try:
            made = await _made(house, given)
        except UsageError as error:
            return _form(house, request, shelf, given, _cut(amiss(error.problems, ())), status=422)
        return _kept(request, shelf, given, made)

    @router.api_route("/morning/template.csv", methods=["GET", "HEAD"])
    async def template() -> Response:
        return _file(sample_csv(house.clock(), house.treatments), "text/csv; charset=utf-8", "departures.csv")

    @router.api_route("/morning/{name}", methods=["GET", "HEAD"])
    async def read(name: str, request: Request) -> Response:
        kept, now = _found(shelf, name, house.clock()), house.clock()
        return show(
            house,
            request,
            "morning_list.html",
            shown=list_shown(kept, root_of(request), now),
            list=await _state(house, kept, now),
            by=kept.by,
            **_asking(house, _Given(kept.text, kept.station, kept.training, name), NOTHING),
        )

    @router.api_route("/morning/{name}/state", methods=["GET", "HEAD"])
    async def state(name: str, request: Request) -> Response:
        now = house.clock()
        known = await _state(house, _found(shelf, name, now), now)
        return HTMLResponse(piece("morning_state.html", **around(house, request), list=known))

    @router.post("/morning/{name}/again")
    async def again(name: str, request: Request) -> Response:
        kept = _found(shelf, name, house.clock())
        given = _Given(kept.text, kept.station, kept.training, name)
        try:
            made = await _made(house, given)
        except UsageError as error:
            return _form(house, request, shelf, given, _cut(amiss(error.problems, ())), status=422)
        return _kept(request, shelf, given, made)

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


async def _posted(request: Request) -> _Given:
    """Return the form; a file goes before what stands in the field."""
    fields = await form_values(request)
    texts = [text for name in ("file", "text") for text in fields.get(name, ()) if text.strip()]
    station = " ".join(fields.get("station", [""])[0].split())[:10].upper()
    name = fields.get("list", [""])[0][:40]
    return _Given(texts[0] if texts else "", station or None, bool(fields.get("training", [""])[0]), name)


async def _made(house: House, given: _Given) -> Morning:
    """Return the list of what was given, in the weather as it is known now; UsageError with all that is wrong."""
    now, treatments = house.clock(), house.treatments
    only = next(iter(treatments.operations)) if len(treatments.operations) == 1 else None
    listed = await house.heavy.run(lambda: _read(given.text, now, treatments.zones, given.station or only))
    weather = {}
    for code in sorted({each.departure.station for each in listed}):
        weather[code] = question_of(await view_at(house, code, now), now, now)
    return await house.heavy.run(lambda: plan_morning(listed, weather, treatments, now, training=given.training))


def _read(text: str, now: datetime, zones: Mapping[str, str], station: str | None) -> tuple[Listed, ...]:
    """Return the departures of an uploaded text; UsageError with all that is wrong."""
    if not text.strip():
        raise UsageError([Problem("departures", "there are none", "choose a file, or paste the lines into the field")])
    if "\x00" in text or "\ufffd" in text:
        what = "is not readable as UTF-8 text"
        raise UsageError([Problem("departures", what, "save the table as CSV in UTF-8, not as a workbook")])
    listed = parse_departures(text, "departures", now=now, zones=zones, station=station)
    if not listed:
        raise UsageError([Problem("departures", "has a head line and no departure", "one line for each departure")])
    if len(listed) > MOST_DEPARTURES:
        what = f"has {len(listed)} of them"
        raise UsageError([Problem("departures", what, f"at most {MOST_DEPARTURES} in one list; make several")])
    return listed


def _cut(wrong: Amiss) -> Amiss:
    """Return what is wrong, no more of it than somebody reads."""
    if len(wrong.above) <= _MOST_PROBLEMS:
        return wrong
    more = f"And {len(wrong.above) - _MOST_PROBLEMS} more of the kind."
    return Amiss(wrong.beside, (*wrong.above[:_MOST_PROBLEMS], more))


def _kept(request: Request, shelf: Shelf, given: _Given, made: Morning) -> Response:
    by = visitor_of(request).name
    kept = shelf.put(given.text, given.station, made, by, training=given.training, name=given.name)
    return RedirectResponse(f"{root_of(request)}/morning/{kept.id}", 303)


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
        view: StationView = await view_at(house, data.station, now)
        seen = None if view.observation is None else view.observation.observed_at
        issued = None if view.taf is None else view.taf.issued_at
        if seen is not None and seen != data.observed_at:
            found.append(f"{data.station} report of {clock_z(seen)}")
        if issued is not None and issued != data.forecast_issued_at:
            found.append(f"{data.station} TAF of {clock_z(issued)}")
    return tuple(found)


def _form(house: House, request: Request, shelf: Shelf, given: _Given, wrong: Amiss, *, status: int = 200) -> Response:
    now = house.clock()
    return show(
        house,
        request,
        "morning.html",
        status=status,
        lists=[list_shown(kept, root_of(request), now) for kept in shelf.all(now)[:12]],
        **_asking(house, given, wrong),
    )


def _asking(house: House, given: _Given, wrong: Amiss) -> dict[str, Any]:
    """Return what the form knows."""
    treatments = house.treatments
    return {
        "text": given.text,
        "given": {"station": given.station or "", "training": given.training},
        "list_name": given.name,
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
