"""Answers to readers who come again and again: they get a document only where it is not the one they have."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import datetime
from email.utils import format_datetime

from fastapi import Request, Response


def document_answer(
    request: Request, document: bytes, kind: str, changed_at: datetime, headers: dict[str, str] | None = None
) -> Response:
    """Return a document, or 304 where the reader has the very same (RFC 9110, section 13.1.2).

    Only the tag of the content decides: a period moves without a message, so the time of the last message would tell
    a reader that nothing changed. No copy is shown unasked: an alert that is over must not stand in a cache.

    Parameters
    ----------
    request, document, kind
        Who asks, what for, and its media type.
    changed_at
        When the newest of what it tells was told.
    headers
        What the answer has besides.
    """
    tag = f'"{hashlib.sha256(document).hexdigest()[:32]}"'
    known = {
        "ETag": tag,
        "Last-Modified": format_datetime(changed_at.replace(microsecond=0), usegmt=True),
        "Cache-Control": "private, no-cache",
        **(headers or {}),
    }
    if _is_known(request.headers.getlist("if-none-match"), tag):
        return Response(status_code=304, headers=known)
    return Response(document, headers=known, media_type=kind)


def _is_known(given: Sequence[str], tag: str) -> bool:
    """Return whether a reader names the tag, or any; tags are compared weakly, as for reading."""
    named = [one.strip().removeprefix("W/") for line in given for one in line.split(",")]
    return tag in named or "*" in named
