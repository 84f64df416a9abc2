"""Tokens of programs: how one is made, how it is recognised, and what it allows (RFC 6750)."""

from __future__ import annotations

import asyncio
import hashlib
import re
import secrets
from collections.abc import Awaitable, Callable
from datetime import datetime

from fastapi import Request

from watcher.store.model import Token
from watcher.web.parties import Records
from watcher.web.problems import Refusal

SCOPES = {
    "read": "see episodes",
    "acknowledge": "take episodes in hand",
    "manage": "change destinations and subscriptions",
}
PREFIX = "hoar_"
_RANDOM_BYTES = 32
_SHAPE = re.compile(r"hoar_[A-Za-z0-9_-]{43}")


def new_token() -> str:
    """Return a fresh token: 256 random bits, url-safe, with a beginning by which a leaked one is found."""
    return PREFIX + secrets.token_urlsafe(_RANDOM_BYTES)


def token_hash(token: str) -> str:
    """Return what is stored of a token, SHA-256 in hex; 256 random bits need no slow hash."""
    return hashlib.sha256(token.encode()).hexdigest()


def bearer(records: Records, scope: str, clock: Callable[[], datetime]) -> Callable[[Request], Awaitable[Token]]:
    """Return a dependency that lets a request pass whose token has a scope; others are refused with 401 or 403."""

    async def allowed(request: Request) -> Token:
        kind, _, given = request.headers.get("authorization", "").partition(" ")
        given = given.strip()
        if kind.lower() != "bearer" or not given:
            raise _unknown("Send a token: Authorization: Bearer hoar_…", "")
        known = await asyncio.to_thread(records.token, token_hash(given)) if _SHAPE.fullmatch(given) else None
        if known is None or (known.expires_at is not None and known.expires_at <= clock()):
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
