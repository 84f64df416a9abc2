"""What an answer that is no yes means for whoever posted: wait, try again, or never again."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import datetime
from html import unescape
from typing import NoReturn
from urllib.parse import quote, unquote, urlsplit

from watcher.errors import DeliveryError
from watcher.net import Answer
from watcher.net.retry_after import parse_retry_after
from watcher.notify.wording import short

_ASKS_TO_WAIT = frozenset({429, 503})
# What is shorter is no secret, and stands in too many sentences.
_SHORTEST_SECRET = 6
_DIVIDED = re.compile(r"[/?&=#]")
_IN_A_PIECE = re.compile(r"[A-Za-z0-9_-]+")


def secrets_of(url: str) -> frozenset[str]:
    """Return all of a web address that may let a stranger write there: path, its parts, values, as they may be quoted.

    The host is none of it: whoever reads an error has to know who said so.
    """
    parts = urlsplit(url)
    after_host = parts._replace(scheme="", netloc="").geturl().strip("/")
    pieces = {after_host, parts.path.strip("/"), parts.query, *_DIVIDED.split(after_host)}
    pieces |= {unquote(piece) for piece in pieces}
    pieces |= {quote(piece, safe="") for piece in pieces}
    pieces |= {word for piece in pieces for word in _IN_A_PIECE.findall(piece)}
    return frozenset(piece for piece in pieces if len(piece) >= _SHORTEST_SECRET)


def refused(answer: Answer, now: datetime, *, secrets: Iterable[str] = ()) -> NoReturn:
    """Say what a refusal means; call it with an answer outside 200 to 299.

    Parameters
    ----------
    answer
        What came back.
    now
        The present; a time to wait may be given as a date.
    secrets
        What is not repeated to anybody, should the answer quote it.

    Raises
    ------
    DeliveryError
        Always: gone with 410, and with the time to wait where the answer asks for one.
    """
    said = _without(answer.body.decode("utf-8", "replace"), secrets)
    if answer.status == 410:
        raise DeliveryError(short(f"the receiver wants no more (HTTP 410) {said}"), gone=True)
    if 300 <= answer.status < 400:
        raise DeliveryError(
            f"the receiver redirects (HTTP {answer.status}), which is not followed; give the new address"
        )
    wait_s = parse_retry_after(answer.headers.get("retry-after"), now) if answer.status in _ASKS_TO_WAIT else None
    raise DeliveryError(short(f"the receiver answered HTTP {answer.status} {said}"), retry_after_s=wait_s)


def _without(said: str, secrets: Iterable[str]) -> str:
    """Return what was said with a mark for each secret, however JSON or a page has written it."""
    longest_first = sorted(filter(None, secrets), key=len, reverse=True)
    if not longest_first:
        return said
    plainly = unescape(re.sub(r"\\u([0-9A-Fa-f]{4})", lambda code: chr(int(code[1], 16)), said).replace("\\/", "/"))
    return re.sub("|".join(map(re.escape, longest_first)), "…", plainly, flags=re.IGNORECASE)
