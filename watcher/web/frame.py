"""The frame around the pages of the board: navigation, who is signed in, style and scripts from our own files."""

from __future__ import annotations

from typing import NamedTuple

from fastapi import Request
from fastapi.responses import HTMLResponse

from watcher.web.doors import visitor_of
from watcher.web.house import House
from watcher.web.pages import page
from watcher.web.static import static_url


class Room(NamedTuple):
    """One entry of the navigation. `scope`: who else would only be refused there does not see it."""

    path: str
    name: str
    scope: str = "read"


ROOMS = (
    Room("/", "Board"),
    Room("/night", "Night"),
    Room("/morning", "Morning list"),
    Room("/depart", "Departure"),
    Room("/protections", "Protection"),
    Room("/alerts", "Alerts"),
    Room("/deliveries", "Deliveries"),
    Room("/subscriptions", "Subscriptions"),
)
# Only our own files run, and only this server is asked; the browser may keep nothing of other places.
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "manifest-src 'self'; worker-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)


def show(
    house: House,
    request: Request,
    template: str,
    *,
    status: int = 200,
    headers: dict[str, str] | None = None,
    **values: object,
) -> HTMLResponse:
    """Return a page of the board.

    Parameters
    ----------
    house, request
        Who asks for what; the request has passed a door.
    template
        Extends ``board_frame.html``. It knows `root` (what every address begins with), `static(name)`, `visitor`,
        `rooms`, `here` (the path), `now`, `caution`, and `values`.
    status, headers
        Of the answer.
    """
    given = around(house, request) | values
    return page(template, status=status, headers={"Content-Security-Policy": POLICY} | (headers or {}), **given)


def around(house: House, request: Request) -> dict[str, object]:
    """Return what every template of the board knows; for pieces of pages that are made without a whole page, too."""
    root, visitor = root_of(request), visitor_of(request)
    return {
        "root": root,
        "here": request.scope["path"].removeprefix(root),
        "static": lambda name: static_url(root, name),
        "visitor": visitor,
        "rooms": [room for room in ROOMS if visitor.may(room.scope)],
        "now": house.clock(),
    }


def root_of(request: Request) -> str:
    """Return the path of the public address, such as ``/ice``; empty where the service has a host of its own."""
    root: str = request.scope.get("root_path", "")
    return root
