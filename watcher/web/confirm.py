"""The page behind a confirm link: whoever reads an address says that alerts may come to it."""

from __future__ import annotations

import asyncio

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from watcher.links import Confirm, read_confirm
from watcher.notify.wording import plain
from watcher.web.house import House
from watcher.web.pages import page
from watcher.web.problems import Refusal


def confirm_pages(house: House) -> APIRouter:
    """Return the pages under ``/confirm``."""
    router = APIRouter(include_in_schema=False)

    @router.api_route("/confirm/{token}", methods=["GET", "HEAD"])
    async def look(token: str) -> HTMLResponse:
        return _page("confirm.html", _allowed(house.key, token))

    @router.post("/confirm/{token}")
    async def press(token: str, request: Request) -> HTMLResponse:
        wish = _allowed(house.key, token)
        house.origin.check(request, absent_is_fine=False)
        if not await asyncio.to_thread(house.store.confirm_destination, wish.destination, wish.address, house.clock()):
            raise Refusal(
                410,
                f"{plain(wish.destination)} is no longer a destination of this service, or has another address by now. "
                "Nothing was changed, and nothing will be sent because of this link.",
                headline="This link is out of date",
            )
        house.news()
        return _page("confirmed.html", wish)

    return router


def _allowed(key: bytes, token: str) -> Confirm:
    wish = read_confirm(key, token)
    if wish is None:
        raise Refusal(
            404,
            "This link is not whole, or it was not made here, so nothing was confirmed. Open it from the message "
            "again, or give the code in the message to whoever runs the service.",
            headline="No address behind this link",
        )
    return wish


def _page(template: str, wish: Confirm) -> HTMLResponse:
    return page(template, destination=plain(wish.destination), address=plain(wish.address))
