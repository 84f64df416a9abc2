"""Who may see and do what: people are signed in by a session, programs show a token, both with the same scopes.

A session is begun by showing a token, lives in a cookie that scripts cannot read and other sites cannot send, and ends
with the token at the latest. Whatever changes something must come from our own pages (Origin) when a session is what
permits it.
"""

from __future__ import annotations

import asyncio
import hashlib
import secrets
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import quote

from fastapi import Request, Response

from watcher.store.model import Token
from watcher.web.house import House
from watcher.web.problems import Refusal
from watcher.web.tokens import SCOPES, has_shape, token_hash

COOKIE = "hoarline"
_RANDOM_BYTES = 32
_SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
_NOBODY = "reader"


@dataclass(frozen=True, slots=True)
class Visitor:
    """Who asks. `name`: of their token; `signed_in`: False for somebody who only may read here without a token."""

    name: str
    scopes: frozenset[str]
    signed_in: bool = True

    def may(self, scope: str) -> bool:
        """Return whether they have a scope."""
        return scope in self.scopes


Door = Callable[[Request], Awaitable[None]]


class NotSignedIn(Exception):
    """Somebody opened a page for which one signs in first. `to`: where they wanted to go."""

    def __init__(self, to: str) -> None:
        super().__init__(to)
        self.to = to


def page_door(house: House, scope: str) -> Door:
    """Return a dependency of pages: lets those pass who have a scope; others are led to the entrance, or refused.

    Posts must come from our own pages. Behind it, `visitor_of` says who asks.
    """

    async def allowed(request: Request) -> None:
        if request.method not in _SAFE:
            house.origin.check(request, absent_is_fine=False)
        visitor = await _by_cookie(house, request) or _by_openness(house)
        if visitor is None or (not visitor.signed_in and not visitor.may(scope)):
            raise NotSignedIn(_address(request))
        request.state.visitor = _with_scope(visitor, scope)

    return allowed


def api_door(house: House, scope: str) -> Door:
    """Return a dependency of the API: a bearer token (RFC 6750) or a session with a scope; 401 or 403 for others."""

    async def allowed(request: Request) -> None:
        if "authorization" in request.headers:
            request.state.visitor = _with_scope(await _by_token(house, request), scope)
            return
        visitor = await _by_cookie(house, request)
        if visitor is not None and request.method not in _SAFE:
            house.origin.check(request, absent_is_fine=False)
        visitor = visitor or _by_openness(house)
        if visitor is None or (not visitor.signed_in and not visitor.may(scope)):
            raise _unknown("Send a token: Authorization: Bearer hoar_…", "")
        request.state.visitor = _with_scope(visitor, scope)

    return allowed


def visitor_of(request: Request) -> Visitor:
    """Return who asks, behind a door."""
    visitor: Visitor = request.state.visitor
    return visitor


async def sign_in(house: House, given: str, response: Response, *, secure: bool) -> bool:
    """Begin a session for whoever shows a token; return False where it is not known here or has run out."""
    now = house.clock()
    known = await _known(house, given, now)
    if known is None:
        return False
    value = secrets.token_urlsafe(_RANDOM_BYTES)
    expires_at = min(now + house.settings.text.web.session, known.expires_at)
    await asyncio.to_thread(house.store.begin_session, _hashed(value), token_hash(given), expires_at, now)
    response.set_cookie(
        COOKIE,
        value,
        max_age=int((expires_at - now).total_seconds()),
        path="/",
        secure=secure,
        httponly=True,
        samesite="strict",
    )
    return True


async def sign_out(house: House, request: Request, response: Response) -> None:
    """End the session of a request, if it has one."""
    value = request.cookies.get(COOKIE)
    if value is not None:
        await asyncio.to_thread(house.store.end_session, _hashed(value))
    response.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict")


async def _by_cookie(house: House, request: Request) -> Visitor | None:
    value = request.cookies.get(COOKIE)
    if value is None or len(value) > 100:
        return None
    known = await asyncio.to_thread(house.store.session, _hashed(value), house.clock())
    return Visitor(known.name, known.scopes) if known is not None else None


def _by_openness(house: House) -> Visitor | None:
    """Return somebody who may read without a token, where the settings let everybody who comes."""
    return Visitor(_NOBODY, frozenset({"read"}), signed_in=False) if house.settings.text.web.open_reading else None


async def _by_token(house: House, request: Request) -> Visitor:
    kind, _, given = request.headers["authorization"].partition(" ")
    if kind.lower() != "bearer" or not given.strip():
        raise _unknown("Send a token: Authorization: Bearer hoar_…", "")
    known = await _known(house, given.strip(), house.clock())
    if known is None:
        raise _unknown("The token is not known here, or has expired.", ', error="invalid_token"')
    return Visitor(known.name, known.scopes)


async def _known(house: House, given: str, now: datetime) -> Token | None:
    known = await asyncio.to_thread(house.store.token, token_hash(given)) if has_shape(given) else None
    return known if known is not None and known.expires_at > now else None


def _with_scope(visitor: Visitor, scope: str) -> Visitor:
    if not visitor.may(scope):
        challenge = f'Bearer realm="hoarline", error="insufficient_scope", scope="{scope}"'
        raise Refusal(
            403, f'The token lacks the scope "{scope}" ({SCOPES[scope]}).', headers={"WWW-Authenticate": challenge}
        )
    return visitor


def _unknown(detail: str, error: str) -> Refusal:
    return Refusal(401, detail, headers={"WWW-Authenticate": f'Bearer realm="hoarline"{error}'})


def _hashed(value: str) -> str:
    return hashlib.sha256(value.encode()).hexdigest()


def _address(request: Request) -> str:
    """Return where a request wanted to go, inside of this service; a form that was posted is not posted again."""
    path = request.scope["path"].removeprefix(request.scope.get("root_path", ""))
    if request.method not in _SAFE:
        return "/"
    return quote(path) + (f"?{request.url.query}" if request.url.query else "")
