"""Alerts in the forms that other programs read: Atom feeds, calendars, and CAP messages."""

from __future__ import annotations

import asyncio
from typing import Any

from fastapi import Request, Response

from watcher.notify import atom, calendar, cap
from watcher.web.api import PREFIX, ApiRouter, Gate
from watcher.web.feed_answers import EventId, alerts_answer, base_of, cap_answer, expected_answer
from watcher.web.house import House
from watcher.web.problems import Refusal
from watcher.web.rest.fields import StationCode
from watcher.web.shelf import Shelf


def feed_api(house: House, gate: Gate) -> ApiRouter:
    """Return the routes of feeds, calendars and CAP messages under ``/api/v1``."""
    router = ApiRouter(gate, "", "feeds")

    @router.reads("/alerts.atom", None, **_given(atom.MEDIA_TYPE))
    async def read_alerts_feed(request: Request) -> Response:
        """Return an Atom feed of all stations: what stands, and what ended within a day."""
        base = base_of(house, request)
        return await _alerts(Shelf(house, None, base, f"{base}{PREFIX}"), request)

    @router.reads("/stations/{code}/alerts.atom", None, 404, **_given(atom.MEDIA_TYPE))
    async def read_station_alerts_feed(request: Request, code: StationCode) -> Response:
        """Return an Atom feed of a station: what stands, and what ended within a day."""
        return await _alerts(await _of_station(house, code, request), request)

    @router.reads("/stations/{code}/expected.ics", None, 404, **_given(calendar.MEDIA_TYPE))
    async def read_station_calendar(request: Request, code: StationCode) -> Response:
        """Return a calendar of a station: when treatment is expected, with what was given up within a day."""
        return await expected_answer(await _of_station(house, code, request), request)

    @router.reads("/events/{event_id}/cap.xml", None, 404, **_given(cap.MEDIA_TYPE))
    async def read_event_as_cap(request: Request, event_id: EventId) -> Response:
        """Return one event as a CAP 1.2 message, with references to what was said of the same matter before."""
        return await cap_answer(house, event_id, request, lambda _event: True)

    return router


def _given(kind: str) -> dict[str, Any]:
    return {"described": {"content": {kind: {"schema": {"type": "string"}}}}, "response_class": Response}


async def _alerts(shelf: Shelf, request: Request) -> Response:
    return await alerts_answer(shelf, request, lambda event: f"{shelf.base}{PREFIX}/events/{event}/cap.xml")


async def _of_station(house: House, code: str, request: Request) -> Shelf:
    if code not in house.views() and code not in await asyncio.to_thread(house.store.station_codes):
        raise Refusal(404, f"Station {code} is not watched here, so nothing can be told of it.")
    base = base_of(house, request)
    return Shelf(house, code, base, f"{base}{PREFIX}/stations/{code}")
