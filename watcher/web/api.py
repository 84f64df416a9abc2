"""What all routes of the API share: where they stand, whom they let in and how often, how they are described."""

from __future__ import annotations

import hashlib
from collections.abc import Awaitable, Callable
from http import HTTPStatus
from typing import Any, TypeVar

from fastapi import APIRouter, Depends, Request, Response
from fastapi.routing import APIRoute
from fastapi.security import APIKeyCookie, HTTPBearer

from watcher.web.doors import COOKIE, Door, api_door, visitor_of
from watcher.web.house import House
from watcher.web.problems import Refusal
from watcher.web.rates import Rates

PREFIX = "/api/v1"
Endpoint = TypeVar("Endpoint", bound=Callable[..., Awaitable[Response]])
# Every route may answer so: no token, not its scope, not to be understood, too often, the store is out of reach.
_ALWAYS = (401, 403, 422, 429, 503)
_TAG_HEADER = {"ETag": {"description": "Of the content.", "schema": {"type": "string"}}}


def problems(*statuses: int) -> dict[int | str, dict[str, object]]:
    """Return what OpenAPI says of refusals; their one shape is added where the description is made."""
    return {status: {"description": HTTPStatus(status).phrase} for status in statuses}


class Gate:
    """Lets programs pass who have a scope, not too often. One for the whole API, so that all their requests count."""

    def __init__(self, house: House, rates: Rates | None = None) -> None:
        self._house = house
        self._rates = Rates() if rates is None else rates

    def door(self, scope: str) -> Door:
        """Return a dependency of routes; behind it `visitor_of` says who asks."""
        lets_pass = api_door(self._house, scope)

        async def counted(request: Request) -> None:
            try:
                await lets_pass(request)
            except Refusal as refusal:
                if refusal.status == 401:
                    # Whoever tries many tokens is one asker, whatever they send.
                    self._rates.count(_address(request))
                raise
            self._rates.count(_asker(request))

        return counted


class ApiRouter(APIRouter):
    """Routes of one kind of thing. Each is named by its function, and answers HEAD where it answers GET.

    Parameters
    ----------
    gate
        Whom it lets in.
    path, tag
        Below the prefix of the API; the heading in the description.
    """

    def __init__(self, gate: Gate, path: str, tag: str) -> None:
        super().__init__(
            prefix=f"{PREFIX}{path}",
            tags=[tag],
            dependencies=[
                Depends(HTTPBearer(auto_error=False, description="A token of `hoarline token add`.")),
                Depends(APIKeyCookie(name=COOKIE, auto_error=False, description="The session of a browser.")),
            ],
            generate_unique_id_function=_name_of,
        )
        self._gate = gate

    def reads(
        self,
        path: str,
        gives: object,
        *refusals: int,
        scope: str = "read",
        **more: Any,  # noqa: ANN401 - what the framework takes
    ) -> Callable[[Endpoint], Endpoint]:
        """Describe and add a route for GET and HEAD. `gives`: the model of its answer; None: `more` describes it."""
        told: dict[str, Any] = {"headers": _TAG_HEADER, **({} if gives is None else {"model": gives})}
        described = {200: told, 304: {"description": "As you have it already."}, **problems(*_ALWAYS, *refusals)}
        described[200] |= more.pop("described", {})
        return self._adding(["GET", "HEAD"], path, scope, described, more)

    def acts(
        self,
        method: str,
        path: str,
        gives: object,
        *refusals: int,
        scope: str,
        status: int = 200,
        **more: Any,  # noqa: ANN401
    ) -> Callable[[Endpoint], Endpoint]:
        """Describe and add a route that changes something, or that is asked with a body."""
        told = {"description": "Done."} if gives is None else {"model": gives}
        described = {status: told, **problems(*_ALWAYS, 400, 413, *refusals), **more.pop("also", {})}
        return self._adding([method], path, scope, described, {"status_code": status, **more})

    def _adding(
        self, methods: list[str], path: str, scope: str, described: dict[Any, Any], more: dict[str, Any]
    ) -> Callable[[Endpoint], Endpoint]:
        guarded = {"dependencies": [Depends(self._gate.door(scope))], **more}

        def add(endpoint: Endpoint) -> Endpoint:
            first, *others = methods
            self.add_api_route(path, endpoint, methods=[first], responses=described, **guarded)
            if others:
                self.add_api_route(path, endpoint, methods=others, include_in_schema=False, **guarded)
            return endpoint

        return add


def _name_of(route: APIRoute) -> str:
    return route.name


def _asker(request: Request) -> str:
    """Return whose bucket a request is of: a session's, a token's, an address's where one reads without either."""
    visitor = visitor_of(request)
    if not visitor.signed_in:
        return _address(request)
    session = request.cookies.get(COOKIE)
    if session is not None and "authorization" not in request.headers:
        return f"session {hashlib.sha256(session.encode()).hexdigest()}"
    return f"token {visitor.name}"


def _address(request: Request) -> str:
    return f"address {request.client.host if request.client is not None else ''}"
