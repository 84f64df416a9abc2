"""The board: all stations, those that need attention first."""

from __future__ import annotations

from fastapi import APIRouter, Depends, Request, Response

from watcher.web.doors import page_door
from watcher.web.frame import show
from watcher.web.house import House


def board_pages(house: House) -> APIRouter:
    """Return the board."""
    router = APIRouter(include_in_schema=False, dependencies=[Depends(page_door(house, "read"))])

    @router.api_route("/", methods=["GET", "HEAD"])
    async def board(request: Request) -> Response:
        return show(house, request, "board.html", views=house.views())

    return router
