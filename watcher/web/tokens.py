"""Tokens of programs: what they may be good for, how one is made, and what is kept of it."""

from __future__ import annotations

import hashlib
import re
import secrets

SCOPES = {
    "read": "see the board, episodes, deliveries and plans",
    "acknowledge": "take episodes in hand, run the clocks of treated aircraft",
    "manage": "change destinations and subscriptions, send again",
}
_PREFIX = "hoar_"
_RANDOM_BYTES = 32
_SHAPE = re.compile(r"hoar_[A-Za-z0-9_-]{43}")


def new_token() -> str:
    """Return a fresh token: 256 random bits, url-safe, with a beginning by which a leaked one is found."""
    return _PREFIX + secrets.token_urlsafe(_RANDOM_BYTES)


def has_shape(text: str) -> bool:
    """Return whether a text may be a token at all."""
    return _SHAPE.fullmatch(text) is not None


def token_hash(token: str) -> str:
    """Return what is kept of a token, SHA-256 in hex; 256 random bits need no slow hash."""
    return hashlib.sha256(token.encode()).hexdigest()
