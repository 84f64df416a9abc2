"""The page of one station: how it stands and what to do, what was reported and is expected, and every reason."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from difflib import get_close_matches

from fastapi import APIRouter, Depends, Request, Response

from watcher.alerts.model import StationView
from watcher.notify.wording import plain
from watcher.web.doors import page_door
from watcher.web.frame import root_of, show
from watcher.web.house import House
from watcher.web.levels import level_mark
from watcher.web.live_pages import mark_for
from watcher.web.stations_sheet import sheet_of

_NEAREST = 6
_LONGEST_CODE = 12


def station_pages(house: House) -> APIRouter:
    """Return the pages under ``/stations``."""
    router = APIRouter(include_in_schema=False, dependencies=[Depends(page_door(house, "read"))])

    @router.api_route("/stations/{code}", methods=["GET", "HEAD"])
    async def station(code: str, request: Request) -> Response:
        code = plain(code).upper()[:_LONGEST_CODE]
        if code not in house.views():
            return _unknown(house, request, code)
        mark = await mark_for(request)
        view = house.views()[code]
        sheet = await asyncio.to_thread(sheet_of, house, view, root_of(request))
        return show(house, request, "station.html", sheet=sheet, live=mark, mark=level_mark)

    return router


def _unknown(house: House, request: Request, code: str) -> Response:
    views = house.views()
    known = house.watch.stations.get(code)
    return show(
        house,
        request,
        "station_unknown.html",
        status=404,
        code=code,
        name=plain(known.name or ""),
        known=known.latitude_deg is not None,
        nearest=[(each, plain(views[each].station.name or "")) for each in nearest_codes(code, views)],
        watched=len(views),
    )


def nearest_codes(asked: str, views: Mapping[str, StationView]) -> list[str]:
    """Return the watched stations whose code or name is most like what was asked for, the likest first."""
    by_word = {code.casefold(): code for code in views}
    by_word |= {(view.station.name or code).casefold(): code for code, view in views.items()}
    likest = get_close_matches(asked.casefold(), by_word, n=_NEAREST, cutoff=0.5)
    return list(dict.fromkeys(by_word[word] for word in likest)) or sorted(views)[:_NEAREST]
