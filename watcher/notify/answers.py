"""What an answer that is no yes means for whoever posted: wait, try again, or never again."""

from __future__ import annotations

from datetime import datetime
from typing import NoReturn

from watcher.errors import DeliveryError
from watcher.net import Answer
from watcher.net.retry_after import parse_retry_after
from watcher.notify.wording import short

_ASKS_TO_WAIT = frozenset({429, 503})


def refused(answer: Answer, now: datetime, *, secret: str = "") -> NoReturn:
    """Say what a refusal means; call it with an answer outside 200 to 299.

    Parameters
    ----------
    answer
        What came back.
    now
        The present; a time to wait may be given as a date.
    secret
        A part of the address that is not repeated to anybody, should the answer quote it.

    Raises
    ------
    DeliveryError
        Always: gone with 410, and with the time to wait where the answer asks for one.
    """
    said = answer.body.decode("utf-8", "replace")
    if secret:
        said = said.replace(secret, "…")
    if answer.status == 410:
        raise DeliveryError(short(f"the receiver wants no more (HTTP 410) {said}"), gone=True)
    if 300 <= answer.status < 400:
        raise DeliveryError(
            f"the receiver redirects (HTTP {answer.status}), which is not followed; give the new address"
        )
    wait_s = parse_retry_after(answer.headers.get("retry-after"), now) if answer.status in _ASKS_TO_WAIT else None
    raise DeliveryError(short(f"the receiver answered HTTP {answer.status} {said}"), retry_after_s=wait_s)
