"""The fields of a posted form, in either of the two encodings that RFC 8058 asks a receiver to take."""

from __future__ import annotations

from email.message import Message
from email.parser import BytesParser
from urllib.parse import parse_qs

from fastapi import Request

from watcher.web.problems import Refusal

_MOST_FIELDS = 200
_URLENCODED, _MULTIPART = "application/x-www-form-urlencoded", "multipart/form-data"


async def form_fields(request: Request) -> dict[str, str]:
    """Return the fields of a form by name; of a name given twice, the first. Raises as `form_values` does."""
    return {name: values[0] for name, values in (await form_values(request)).items()}


async def form_values(request: Request) -> dict[str, list[str]]:
    """Return all values of the fields of a form by name, in the order given; of an uploaded file its text.

    Raises
    ------
    Refusal
        415 where the body is no form, 422 where it cannot be read as the form it says it is.
    """
    content_type = request.headers.get("content-type", "")
    kind = content_type.partition(";")[0].strip().lower()
    body = await request.body()
    if kind == _URLENCODED:
        return _urlencoded(body)
    if kind == _MULTIPART:
        return _multipart(content_type, body)
    raise Refusal(415, f"Send a form: {_URLENCODED} or {_MULTIPART}.")


def _urlencoded(body: bytes) -> dict[str, list[str]]:
    try:
        return parse_qs(body.decode("ascii"), keep_blank_values=True, max_num_fields=_MOST_FIELDS)
    except ValueError as error:
        raise Refusal(422, "The form cannot be read.") from error


def _multipart(content_type: str, body: bytes) -> dict[str, list[str]]:
    """Read RFC 7578 with the standard library's MIME parser: a form is a MIME message without its own header."""
    head = f"Content-Type: {content_type}\r\n\r\n".encode("latin-1")
    try:
        message = BytesParser().parsebytes(head + body)
    except RecursionError as error:  # messages within messages; no form is made so
        raise Refusal(422, "The form cannot be read.") from error
    parts = [part for part in message.get_payload() if isinstance(part, Message)] if message.is_multipart() else []
    if not parts or len(parts) > _MOST_FIELDS:
        raise Refusal(422, "The form cannot be read.")
    fields: dict[str, list[str]] = {}
    for part in parts:
        name, value = part.get_param("name", header="content-disposition"), part.get_payload(decode=True)
        if isinstance(name, str) and isinstance(value, bytes):
            fields.setdefault(name, []).append(value.decode("utf-8", "replace"))
    return fields
