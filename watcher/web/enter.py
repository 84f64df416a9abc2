"""The entrance: whoever shows a token is signed in; and the way out."""

from __future__ import annotations

from urllib.parse import urlsplit

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse

from watcher.web.doors import sign_in, sign_out
from watcher.web.forms import form_fields
from watcher.web.frame import root_of
from watcher.web.house import House
from watcher.web.pages import page

_WRONG = "This token is not known here, or has expired. Ask whoever runs this service for another one."


def entrance(house: House) -> APIRouter:
    """Return the pages under ``/enter`` and ``/leave``."""
    router = APIRouter(include_in_schema=False)

    @router.api_route("/enter", methods=["GET", "HEAD"])
    async def look(request: Request) -> Response:
        return _page(request, _inside(request.query_params.get("to", "/")))

    @router.post("/enter")
    async def enter(request: Request) -> Response:
        house.origin.check(request, absent_is_fine=False)
        fields = await form_fields(request)
        to = _inside(fields.get("to", "/"))
        response = RedirectResponse(root_of(request) + to, 303)
        if await sign_in(house, fields.get("token", "").strip(), response, secure=_secure(house, request)):
            return response
        return _page(request, to, wrong=_WRONG, status=401)

    @router.post("/leave")
    async def leave(request: Request) -> Response:
        house.origin.check(request, absent_is_fine=False)
        response = RedirectResponse(root_of(request) + "/enter", 303)
        await sign_out(house, request, response)
        return response

    return router


def to_entrance(request: Request, to: str) -> Response:
    """Return the entrance in place of a page.

    A cookie that only our own pages send does not come with a link from a mail. The browser is then asked to come again
    from here, once; a session that is there shows itself with that second request.
    """
    again = request.headers.get("sec-fetch-site") in {"cross-site", "same-site"}
    return _page(request, _inside(to), again=again, status=200 if again else 401)


def _page(request: Request, to: str, *, wrong: str | None = None, again: bool = False, status: int = 200) -> Response:
    return page("enter.html", status=status, root=root_of(request), to=to, wrong=wrong, again=again)


def _secure(house: House, request: Request) -> bool:
    return urlsplit(house.public_url or str(request.url)).scheme == "https"


def _inside(to: str) -> str:
    """Return where to go after signing in; only places in this service."""
    is_path = to.startswith("/") and not to.startswith(("//", "/\\")) and to.isprintable()
    return to if is_path else "/"
