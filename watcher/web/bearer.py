"""Who may use the API: a bearer token with the scope that a route asks for (RFC 6750)."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from datetime import datetime

from fastapi import Request

from watcher.store.model import Token
from watcher.web.parties import Records
from watcher.web.problems import Refusal
from watcher.web.tokens import SCOPES, has_shape, token_hash


def bearer(records: Records, scope: str, clock: Callable[[], datetime]) -> Callable[[Request], Awaitable[Token]]:
    """Return a dependency that lets a request pass whose token has a scope; others are refused with 401 or 403."""

    async def allowed(request: Request) -> Token:
        kind, _, given = request.headers.get("authorization", "").partition(" ")
        given = given.strip()
        if kind.lower() != "bearer" or not given:
            raise _unknown("Send a token: Authorization: Bearer hoar_…", "")
        known = await asyncio.to_thread(records.token, token_hash(given)) if has_shape(given) else None
        if known is None or known.expires_at <= clock():
            raise _unknown("The token is not known here, or has expired.", ', error="invalid_token"')
        if scope not in known.scopes:
            challenge = f'Bearer realm="hoarline", error="insufficient_scope", scope="{scope}"'
            raise Refusal(
                403, f'The token lacks the scope "{scope}" ({SCOPES[scope]}).', headers={"WWW-Authenticate": challenge}
            )
        return known

    return allowed


def _unknown(detail: str, error: str) -> Refusal:
    return Refusal(401, detail, headers={"WWW-Authenticate": f'Bearer realm="hoarline"{error}'})
