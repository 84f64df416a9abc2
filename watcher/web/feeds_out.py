"""Feeds and calendars behind signed links: their readers can send no token.

A link lets read what is told of its station, or of all, and nothing else.
"""

from __future__ import annotations

from fastapi import APIRouter, Request, Response

from watcher.alerts.model import Event, SubjectKind
from watcher.links import ALL, read_feed
from watcher.web.feed_answers import EventId, alerts_answer, base_of, cap_answer, expected_answer
from watcher.web.house import House
from watcher.web.problems import Refusal
from watcher.web.rates import Rates
from watcher.web.shelf import Shelf

# A link is read by many where it is passed on; a feed with the messages of its entries is read at once.
_BURST, _PER_S = 120, 2.0


def feeds_out(house: House) -> APIRouter:
    """Return the routes under ``/feed``."""
    router = APIRouter(prefix="/feed/{token}", include_in_schema=False)
    rates = Rates(burst=_BURST, per_s=_PER_S)

    def opened(token: str, request: Request) -> Shelf:
        shelf = _shelf(house, token, request)
        rates.count(token)
        return shelf

    @router.api_route("/alerts.atom", methods=["GET", "HEAD"])
    async def read_alerts(token: str, request: Request) -> Response:
        shelf = opened(token, request)
        return await alerts_answer(shelf, request, lambda event: f"{shelf.feed}/cap/{event}.xml")

    @router.api_route("/expected.ics", methods=["GET", "HEAD"])
    async def read_expected(token: str, request: Request) -> Response:
        return await expected_answer(opened(token, request), request)

    @router.api_route("/cap/{event_id}.xml", methods=["GET", "HEAD"])
    async def read_cap(token: str, event_id: EventId, request: Request) -> Response:
        shelf = opened(token, request)
        return await cap_answer(house, event_id, request, lambda event: _is_of(shelf.station, event))

    return router


def _shelf(house: House, token: str, request: Request) -> Shelf:
    feed = read_feed(house.key, token)
    if feed is None:
        raise Refusal(
            404,
            "This link is not whole, or it was not made here. Take it from the page of the station again.",
            headline="No feed behind this link",
        )
    base = base_of(house, request)
    return Shelf(house, feed.station if feed.station != ALL else None, base, f"{base}/feed/{token}")


def _is_of(station: str | None, event: Event) -> bool:
    """Return whether a link of a station, or of all, lets read an event: alerts and blindness, nobody's lists."""
    shown = event.subject_kind in {SubjectKind.EPISODE, SubjectKind.STATION}
    return shown and station in {None, event.body.station}
