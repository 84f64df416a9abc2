"""Answers that a program keeps and asks about again: a tag of the content, and 304 where nothing changed (RFC 9110)."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from urllib.parse import quote

from fastapi import Request, Response

# Kept by whoever asked alone, and asked about each time: an alert that is over must not stand in a cache.
KEPT = "private, no-cache"
JSON = "application/json"


def answer(
    request: Request,
    content: object,
    *,
    status: int = 200,
    headers: Mapping[str, str] | None = None,
    media_type: str = JSON,
) -> Response:
    """Return content to a program: JSON, or text as it is.

    What was asked for by GET or HEAD carries a weak tag of its content, for a proxy may pack it; ages are part of the
    content, so that no program takes old news for fresh. Nothing else is kept anywhere.

    Parameters
    ----------
    request
        What was asked, with the tags that the program has.
    content
        Plain values for JSON; a text of another media type.
    status, headers, media_type
        Of the answer.
    """
    body = content.encode() if isinstance(content, str) and media_type != JSON else as_json(content)
    if request.method not in {"GET", "HEAD"}:
        return Response(body, status, {"Cache-Control": "no-store", **(headers or {})}, media_type)
    tag = f'W/"{hashlib.sha256(body).hexdigest()[:32]}"'
    given = {"ETag": tag, "Cache-Control": KEPT, **(headers or {})}
    if is_known(request.headers.getlist("if-none-match"), tag):
        return Response(status_code=304, headers=given)
    return Response(body, status, given, media_type)


def as_json(content: object) -> bytes:
    """Return plain values as JSON in UTF-8; a number that is none (NaN) is an error, as JSON has none."""
    return json.dumps(content, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


def is_known(given: Sequence[str], tag: str) -> bool:
    """Return whether a program names a tag, or any; compared weakly, as for reading (RFC 9110, section 13.1.2)."""
    named = {one.strip().removeprefix("W/") for line in given for one in line.split(",")}
    return tag.removeprefix("W/") in named or "*" in named


def made_at(collection: str, name: str) -> dict[str, str]:
    """Return the header that says where what was just made is found, beside its list (RFC 9110, section 10.2.2)."""
    return {"Location": f"{collection}/{quote(name, safe='')}"}
