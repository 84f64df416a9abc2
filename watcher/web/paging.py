"""Long lists in pieces: an opaque place at which the next piece goes on, in the answer and as a link (RFC 8288)."""

from __future__ import annotations

import json
from base64 import urlsafe_b64decode, urlsafe_b64encode
from binascii import Error as NotBase64
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar
from urllib.parse import urlencode

from fastapi import Request

from watcher.web.problems import FieldProblem, Refusal

T = TypeVar("T")

DEFAULT, MOST = 100, 500


@dataclass(frozen=True, slots=True)
class Piece(Generic[T]):
    """Some items of a list. `next`: the place at which the rest begins; None: there is no more."""

    items: Sequence[T]
    next: str | None


def piece_of(found: Sequence[T], limit: int, place: tuple[str, ...]) -> Piece[T]:
    """Return the first items of what was found.

    Parameters
    ----------
    found
        One more than wanted, where there is more.
    limit
        How many are wanted.
    place
        Of the last of those, by which the list is ordered.
    """
    return Piece(found[:limit], sealed(place) if len(found) > limit else None)


def sealed(place: tuple[str, ...]) -> str:
    """Return a place in a list as a word that only this service reads."""
    return urlsafe_b64encode(json.dumps(place, separators=(",", ":")).encode()).rstrip(b"=").decode("ascii")


def opened(word: str | None, parts: int) -> tuple[str, ...] | None:
    """Return the place that a word holds; None for the beginning.

    Raises
    ------
    Refusal
        422 where the word was not made here.
    """
    if word is None:
        return None
    try:
        place = json.loads(urlsafe_b64decode(word + "=" * (-len(word) % 4)))
    except (ValueError, NotBase64, RecursionError):
        place = None
    if not isinstance(place, list) or len(place) != parts or not all(isinstance(part, str) for part in place):
        wrong = FieldProblem(field="query.next", what="was not made by this service; begin without it")
        raise Refusal(422, "The request cannot be used as it is; see errors.", errors=(wrong,))
    return tuple(place)


def links_of(request: Request, following: str | None) -> dict[str, str]:
    """Return the header that leads to the next piece, with the same question; nothing at the end of a list."""
    if following is None:
        return {}
    kept = [(name, value) for name, value in request.query_params.multi_items() if name != "next"]
    return {"Link": f'<?{urlencode([*kept, ("next", following)])}>; rel="next"'}
