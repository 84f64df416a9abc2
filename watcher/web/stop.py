"""The page behind a stop link: ends the messages of a destination, by its button or by one click (RFC 8058)."""

from __future__ import annotations

import asyncio
import shlex

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from watcher.links import read_stop
from watcher.notify.wording import plain
from watcher.web.forms import form_fields
from watcher.web.house import House
from watcher.web.pages import page
from watcher.web.problems import Refusal

_REASON = "stopped by its reader, through the link in a message"


def stop_pages(house: House) -> APIRouter:
    """Return the pages under ``/stop``. A mail program posts there without a page, an origin or a cookie."""
    router = APIRouter(include_in_schema=False)

    @router.api_route("/stop/{token}", methods=["GET", "HEAD"])
    async def look(token: str) -> HTMLResponse:
        return _page("stop.html", _allowed(house.key, token))

    @router.post("/stop/{token}")
    async def press(token: str, request: Request) -> HTMLResponse:
        destination = _allowed(house.key, token)
        house.origin.check(request, absent_is_fine=True)
        fields = await form_fields(request)
        if fields.get("List-Unsubscribe") == "One-Click":
            await asyncio.to_thread(
                house.store.disable_destination, destination, _REASON, house.clock(), by_receiver=True
            )
            house.news()
            return _page("stopped.html", destination)
        if fields.get("again") == "yes":
            house.origin.check(request, absent_is_fine=False)
            await asyncio.to_thread(house.store.enable_destination, destination)
            house.news()
            return _page("resumed.html", destination)
        raise Refusal(422, "Press the button on the page behind this link; nothing was changed.")

    return router


def _allowed(key: bytes, token: str) -> str:
    stop = read_stop(key, token)
    if stop is None:
        raise Refusal(
            404,
            "This link is not whole, or it was not made here, so nothing was stopped. Open it from the message again, "
            "or write to the contact that the message names.",
            headline="No destination behind this link",
        )
    return stop.destination


def _page(template: str, destination: str) -> HTMLResponse:
    name = plain(destination)
    return page(template, destination=name, command=f"hoarline destination resume {shlex.quote(name)}")
