"""The departure page: one departure is asked about in the address, so that a plan can be linked and made again."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

from fastapi import APIRouter, Depends, Request, Response

from watcher.alerts.model import StationView
from watcher.errors import Gathered, UsageError
from watcher.service.planning import plan_departure
from watcher.treatment.kinds import Contamination, Place
from watcher.treatment.parse_departures import NEEDED, read_departure
from watcher.treatment.planned import Plan
from watcher.web.amiss import NOTHING, Amiss, amiss
from watcher.web.depart_shown import plan_shown
from watcher.web.departure_fields import departure_link
from watcher.web.doors import page_door, visitor_of
from watcher.web.frame import root_of, show
from watcher.web.house import House

# The fields of the form; those of a departure are named as the columns of a list.
FIELDS = (
    "station",
    "flight",
    "aircraft",
    "off_block",
    "tsat",
    "ctot",
    "place",
    "fluid",
    "runway",
    "contamination",
    "fuel_c",
    "arrived",
    "hangar_exit",
    "training",
)
_LONGEST = 60
# From then on an open page says that its plan should be made again. Common practice, no source.
_OLD_AFTER = timedelta(minutes=10)


def depart_pages(house: House) -> APIRouter:
    """Return the page under ``/depart``."""
    router = APIRouter(include_in_schema=False, dependencies=[Depends(page_door(house, "read"))])

    @router.api_route("/depart", methods=["GET", "HEAD"])
    async def depart(request: Request) -> Response:
        given = given_of(request)
        if not any(given.get(name) for name in NEEDED):
            return _form(house, request, given, NOTHING)
        now = house.clock()
        try:
            plan, view = await _planned(house, given, now)
        except UsageError as error:
            return _form(house, request, given, amiss(error.problems, FIELDS), status=422)
        zone, root = house.treatments.operations[plan.departure.station].zone, root_of(request)
        may_begin = visitor_of(request).may("acknowledge") and house.protections is not None
        shown = await house.heavy.run(lambda: plan_shown(plan, zone, root, now, may_begin=may_begin))
        return show(
            house,
            request,
            "depart.html",
            shown=shown,
            raws=[each.decoded.raw for each in (view.latest, view.forecast) if each is not None],
            old_after=shown.made_at.epoch_ms + int(_OLD_AFTER.total_seconds() * 1000),
            link=departure_link(root, plan.departure, training=bool(given.get("training"))),
            **_known(house, given, NOTHING),
        )

    return router


def given_of(request: Request, names: tuple[str, ...] = FIELDS) -> dict[str, str]:
    """Return the fields of an address that these names have; what is longer than any field is cut."""
    query = request.query_params
    given = {name: " ".join(query[name].split())[:_LONGEST] for name in names if query.get(name)}
    return {**given, "station": given["station"].upper()} if "station" in given else given


async def view_at(house: House, code: str, now: datetime) -> StationView:
    """Return what is known of a station: as the last turn left it, else as the store has it."""
    found = house.views().get(code)
    if found is not None:
        return found
    station = house.watch.stations.get(code)
    return (await asyncio.to_thread(house.store.load, [station], now=now))[code]


async def _planned(house: House, given: Mapping[str, str], now: datetime) -> tuple[Plan, StationView]:
    """Return the plan that is asked for; UsageError with everything that is wrong."""
    treatments = house.treatments
    cells = {"flight": "departure", **given}
    only = next(iter(treatments.operations)) if len(treatments.operations) == 1 else None
    read = Gathered()
    listed = read.take(lambda: read_departure(cells, now=now, zones=treatments.zones, station=only))
    if given.get("aircraft"):
        read.take(lambda: treatments.fleet.profile(given["aircraft"]))
    read.check()
    assert listed is not None
    departure = listed.departure
    view = await view_at(house, departure.station, now)
    training = bool(given.get("training"))
    plan = await house.heavy.run(lambda: plan_departure(departure, view, treatments, now, training=training))
    return plan, view


def _form(house: House, request: Request, given: Mapping[str, str], wrong: Amiss, *, status: int = 200) -> Response:
    return show(house, request, "depart.html", status=status, shown=None, **_known(house, given, wrong))


def _known(house: House, given: Mapping[str, str], wrong: Amiss) -> dict[str, Any]:
    """Return what the form offers: the stations, aircraft, runways and fluids of the rules folder."""
    treatments = house.treatments
    stations = treatments.operations
    only = next(iter(stations)) if len(stations) == 1 else ""
    chosen = [stations[given["station"]]] if given.get("station") in stations else list(stations.values())
    return {
        "given": {**dict.fromkeys(FIELDS, ""), "station": only, **given},
        "amiss": wrong,
        "stations": [(code, _station_name(house, code)) for code in stations],
        "fleet": [(name, name) for name in treatments.fleet.profiles],
        "places": [(place.value, place.value) for place in Place],
        "deposits": [(kind.value, kind.value) for kind in Contamination],
        "runways": [(each, each) for each in sorted({runway for one in chosen for runway in one.queue})],
        "fluids": [(each, each) for each in dict.fromkeys(fluid.name for one in chosen for fluid in one.fluids)],
        "any_in_force": any(each.in_force(house.clock().date()) for each in treatments.tables.sets),
    }


def _station_name(house: House, code: str) -> str:
    name = house.watch.stations.get(code).name
    return f"{code} {name}" if name else code
