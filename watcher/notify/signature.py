"""Signatures of webhooks: Standard Webhooks 1.0.0, symmetric scheme v1 (HMAC-SHA256).

Source: github.com/standard-webhooks/standard-webhooks, spec/standard-webhooks.md, version 1.0.0.
"""

from __future__ import annotations

import binascii
import hashlib
import hmac
from base64 import b64decode, b64encode
from collections.abc import Sequence
from datetime import datetime, timedelta
from secrets import token_bytes

PREFIX = "whsec_"
TOLERANCE = timedelta(minutes=5)
# The standard's bounds for a secret, in bytes.
_SHORTEST, _LONGEST = 24, 64


def check_secret(secret: str) -> str | None:
    """Return why a text cannot sign; None when it can. The text itself is never repeated."""
    try:
        length = len(_key(secret))
    except (binascii.Error, ValueError):
        return f"it is not {PREFIX} and base64 after it"
    if not _SHORTEST <= length <= _LONGEST:
        return f"it has {length} bytes; the standard asks for {_SHORTEST} to {_LONGEST}"
    return None


def new_secret() -> str:
    """Return a fresh secret of the shortest length that the standard takes, ``whsec_`` and base64."""
    return PREFIX + b64encode(token_bytes(_SHORTEST)).decode("ascii")


def sign(message_id: str, timestamp: datetime, body: bytes, secrets: Sequence[str]) -> str:
    """Return the header ``webhook-signature``: one signature for each secret.

    Parameters
    ----------
    message_id
        The same in every attempt; holds no full stop.
    timestamp
        When this attempt is made; whole seconds count.
    body
        The bytes as they are sent.
    secrets
        ``whsec_`` and base64; several while the secret is being changed.
    """
    content = b"%s.%d.%s" % (message_id.encode(), int(timestamp.timestamp()), body)
    return " ".join(f"v1,{_signature(secret, content)}" for secret in secrets)


def signed_headers(message_id: str, timestamp: datetime, body: bytes, secrets: Sequence[str]) -> dict[str, str]:
    """Return the three headers of the standard; the parameters are those of `sign`."""
    return {
        "webhook-id": message_id,
        "webhook-timestamp": str(int(timestamp.timestamp())),
        "webhook-signature": sign(message_id, timestamp, body, secrets),
    }


def verify(
    message_id: str, timestamp: str, signatures: str, body: bytes, secrets: Sequence[str], *, now: datetime
) -> bool:
    """Return whether one of the signatures was made with one of the secrets, within five minutes of `now`.

    Parameters
    ----------
    message_id, timestamp, signatures
        The headers ``webhook-id``, ``webhook-timestamp`` and ``webhook-signature`` as they came.
    body
        The bytes as they came.
    """
    if not (timestamp.isascii() and timestamp.isdigit() and len(timestamp) < 12):
        return False
    if abs(now.timestamp() - int(timestamp)) > TOLERANCE.total_seconds():
        return False
    content = b"%s.%s.%s" % (message_id.encode(), timestamp.encode(), body)
    given = [rest.encode() for scheme, _, rest in (one.partition(",") for one in signatures.split()) if scheme == "v1"]
    expected = [_signature(secret, content).encode() for secret in secrets]
    return any(hmac.compare_digest(one, other) for one in given for other in expected)


def _signature(secret: str, content: bytes) -> str:
    return b64encode(hmac.digest(_key(secret), content, hashlib.sha256)).decode("ascii")


def _key(secret: str) -> bytes:
    return b64decode(secret.removeprefix(PREFIX), validate=True)
