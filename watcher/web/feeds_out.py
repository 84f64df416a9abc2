"""Alerts in the forms that other programs read: Atom feeds, calendars, and CAP documents.

The same three stand in the API, behind a token or a session, and behind signed feed links: readers of feeds and
calendars can send no token. A feed link lets read what is told of its station, or of all, and nothing else.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Path, Request, Response
from fastapi.security import HTTPBearer

from watcher.alerts.model import Event, SubjectKind
from watcher.links import ALL, authority, read_feed
from watcher.notify import atom, calendar, cap
from watcher.web.api import PREFIX, problems
from watcher.web.doors import api_door
from watcher.web.house import House
from watcher.web.known import document_answer
from watcher.web.problems import Refusal
from watcher.web.shelf import Shelf

_Code = Annotated[str, Path(description="Of the station, such as XNOR.", pattern=r"^[A-Z][A-Z0-9]{3}$")]
_EventId = Annotated[
    str, Path(description="Such as XNOR-17.2: subject and number.", pattern=r"^[A-Za-z0-9-]{1,24}\.[0-9]{1,9}$")
]
_Endpoint = Callable[..., Awaitable[Response]]


def feeds_out(house: House) -> APIRouter:
    """Return the routes of feeds, calendars and CAP documents: in the API, and behind signed links."""
    router = APIRouter()
    router.include_router(_in_the_api(house))
    router.include_router(_behind_links(house))
    return router


def _in_the_api(house: House) -> APIRouter:
    router = APIRouter(
        prefix=PREFIX,
        tags=["feeds"],
        dependencies=[
            Depends(HTTPBearer(auto_error=False, description="A token of `hoarline token add`.")),
            Depends(api_door(house, "read")),
        ],
    )

    async def read_station_alerts(code: _Code, request: Request) -> Response:
        """Return an Atom feed of a station: what stands, and what ended within a day."""
        return await _alerts(await _station(house, code, request), request, _api_cap(house, request))

    async def read_alerts(request: Request) -> Response:
        """Return an Atom feed of all stations: what stands, and what ended within a day."""
        return await _alerts(_all(house, request), request, _api_cap(house, request))

    async def read_expected(code: _Code, request: Request) -> Response:
        """Return a calendar of a station: when treatment is expected, with what was given up within a day."""
        return await _expected(await _station(house, code, request), request)

    async def read_cap(event_id: _EventId, request: Request) -> Response:
        """Return one event as a CAP 1.2 message, with references to what was said of the same matter before."""
        return await _cap(house, event_id, request, lambda _event: True)

    _add(router, "/stations/{code}/alerts.atom", read_station_alerts, atom.MEDIA_TYPE, 404, 422)
    _add(router, "/alerts.atom", read_alerts, atom.MEDIA_TYPE)
    _add(router, "/stations/{code}/expected.ics", read_expected, calendar.MEDIA_TYPE, 404, 422)
    _add(router, "/events/{event_id}/cap.xml", read_cap, cap.MEDIA_TYPE, 404, 422)
    return router


def _behind_links(house: House) -> APIRouter:
    router = APIRouter(prefix="/feed/{token}", include_in_schema=False)

    async def read_alerts(token: str, request: Request) -> Response:
        shelf = _linked(house, token, request)
        return await _alerts(shelf, request, lambda event: f"{shelf.feed}/cap/{event}.xml")

    async def read_expected(token: str, request: Request) -> Response:
        return await _expected(_linked(house, token, request), request)

    async def read_cap(token: str, event_id: _EventId, request: Request) -> Response:
        shelf = _linked(house, token, request)
        return await _cap(house, event_id, request, lambda event: _is_of(shelf.station, event))

    _add(router, "/alerts.atom", read_alerts, atom.MEDIA_TYPE)
    _add(router, "/expected.ics", read_expected, calendar.MEDIA_TYPE)
    _add(router, "/cap/{event_id}.xml", read_cap, cap.MEDIA_TYPE)
    return router


def _add(router: APIRouter, path: str, endpoint: _Endpoint, kind: str, *refusals: int) -> None:
    """Add a route for GET, described by what it gives, and the same for HEAD."""
    given: dict[int | str, dict[str, Any]] = {
        200: {"content": {kind: {}}},
        304: {"description": "As the reader has it already."},
    }
    router.add_api_route(
        path, endpoint, response_class=Response, responses={**given, **problems(401, 403, *refusals)}, methods=["GET"]
    )
    router.add_api_route(path, endpoint, response_class=Response, methods=["HEAD"], include_in_schema=False)


def _all(house: House, request: Request) -> Shelf:
    base = _base(house, request)
    return Shelf(house, None, base, f"{base}{PREFIX}")


async def _station(house: House, code: str, request: Request) -> Shelf:
    if code not in house.views() and code not in await asyncio.to_thread(house.store.station_codes):
        raise Refusal(404, f"Station {code} is not watched here, so nothing can be told of it.")
    base = _base(house, request)
    return Shelf(house, code, base, f"{base}{PREFIX}/stations/{code}")


def _linked(house: House, token: str, request: Request) -> Shelf:
    feed = read_feed(house.key, token)
    if feed is None:
        raise Refusal(
            404,
            "This link is not whole, or it was not made here. Take it from the page of the station again.",
            headline="No feed behind this link",
        )
    base = _base(house, request)
    return Shelf(house, feed.station if feed.station != ALL else None, base, f"{base}/feed/{token}")


def _base(house: House, request: Request) -> str:
    return house.public_url or str(request.base_url).rstrip("/")


def _api_cap(house: House, request: Request) -> Callable[[str], str]:
    base = _base(house, request)
    return lambda event: f"{base}{PREFIX}/events/{event}/cap.xml"


def _is_of(station: str | None, event: Event) -> bool:
    """Return whether a feed link of a station, or of all, lets read an event: alerts and blindness, nobody's lists."""
    shown = event.subject_kind in {SubjectKind.EPISODE, SubjectKind.STATION}
    return shown and station in {None, event.body.station}


async def _alerts(shelf: Shelf, request: Request, cap_address: Callable[[str], str]) -> Response:
    document, changed_at = await asyncio.to_thread(shelf.alerts, cap_address)
    return document_answer(request, document, atom.MEDIA_TYPE, changed_at)


async def _expected(shelf: Shelf, request: Request) -> Response:
    document, changed_at = await asyncio.to_thread(shelf.expected)
    named = {"Content-Disposition": f'inline; filename="expected-{shelf.subject}.ics"'}
    return document_answer(request, document, f"{calendar.MEDIA_TYPE}; charset=utf-8", changed_at, named)


async def _cap(house: House, event_id: str, request: Request, permitted: Callable[[Event], bool]) -> Response:
    subject, _, number = event_id.rpartition(".")
    events: Sequence[Event] = await asyncio.to_thread(house.store.events_of, subject)
    history = [event for event in events if event.seq <= int(number)]
    if not history or history[-1].id != event_id or not permitted(history[-1]):
        raise Refusal(404, f'No event "{event_id}" is kept here.')
    event = history[-1]
    document = cap.cap_alert(
        history,
        sender=f"hoarline@{authority(house.public_url)}",
        base_url=house.public_url,
        place=house.watch.stations.get(event.body.station) if event.body.station else None,
    )
    return document_answer(request, document, cap.MEDIA_TYPE, event.at)
