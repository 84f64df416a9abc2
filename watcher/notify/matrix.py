"""Matrix rooms: one message as one event of the room, put through the guard under the delivery's own name.

Source: Matrix specification v1.12, client-server API, "Sending events to a room" and "m.room.message"; the errors and
limits are those of its sections "API standards" and "Size limits".
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any
from urllib.parse import quote

from watcher.errors import DeliveryError, GuardError, NetError
from watcher.net import Answer, HttpClients
from watcher.net.retry_after import parse_retry_after
from watcher.notify.answers import refused
from watcher.notify.message import Message
from watcher.notify.model import MatrixDestination
from watcher.notify.templating import Reader, Templates
from watcher.notify.wording import plain, short

PUT_TIMEOUT_S = 20.0
# What the error codes of the standard ask of whoever runs this. All but those of _GONE and _NEVER are tried again: an
# invitation or a new token soon after must still let the alert through.
_REMEDIES: Mapping[str, str] = {
    "M_UNKNOWN_TOKEN": "the access token is not known there (any more); put a new one into its file",
    "M_MISSING_TOKEN": "the access token did not arrive there; does something between take headers away?",
    "M_FORBIDDEN": "the account may not write in this room; invite it, let it join, or give it the right",
    "M_NOT_FOUND": "there is no such room, or the account is not in it",
    "M_UNRECOGNIZED": "this is no address of a Matrix homeserver's client API",
    "M_USER_DEACTIVATED": "the account was closed",
    "M_TOO_LARGE": "the message is larger than the homeserver takes",
}
_GONE = frozenset({"M_USER_DEACTIVATED"})
# The same bytes would be refused again, for what they are.
_NEVER = frozenset({"M_TOO_LARGE", "M_BAD_JSON", "M_NOT_JSON", "M_INVALID_PARAM"})


class MatrixChannel:
    """Writes messages into one room.

    Parameters
    ----------
    destination
        Which room, and whose token.
    http
        Checks the address and keeps the connections.
    templates
        How a message looks.
    timeout_s
        Seconds for one attempt.
    """

    kind = "matrix"

    def __init__(
        self,
        destination: MatrixDestination,
        http: HttpClients,
        templates: Templates,
        *,
        timeout_s: float = PUT_TIMEOUT_S,
    ) -> None:
        self._destination = destination
        self._http = http
        self._templates = templates
        self._timeout_s = timeout_s

    async def send(self, message: Message, now: datetime) -> None:
        """Put one message into the room.

        The transaction is named after it, the same in every attempt, so that a repeat is one event in the room: the
        homeserver answers it with the event that is there already.

        Raises
        ------
        DeliveryError
            The homeserver could not be reached, refused, or the account is closed (`gone`). It never holds the token.
        """
        room, transaction = quote(self._destination.room_id, safe=""), quote(message.id, safe="")
        base = self._destination.url.rstrip("/")
        url = f"{base}/_matrix/client/v3/rooms/{room}/send/m.room.message/{transaction}"
        headers = {"Authorization": f"Bearer {self._destination.token}", "Content-Type": "application/json"}
        content = json.dumps(self._content(message), ensure_ascii=False, separators=(",", ":")).encode()
        try:
            answer = await self._http.put(url, content=content, headers=headers, timeout=self._timeout_s)
        except (GuardError, NetError) as error:
            raise DeliveryError(short(str(error))) from error
        if not 200 <= answer.status < 300:
            self._refuse(answer, now)
        if "event_id" not in _object_of(answer):
            # A portal or proxy between also says 200 to everything.
            raise DeliveryError("the answer names no event: this is no homeserver, or something stands before it")

    def _content(self, message: Message) -> dict[str, object]:
        """Return the event's content. A notice rings nowhere by the standard's push rules: fit for what is over."""
        stop = message.links.stop
        reader = Reader(plain(self._destination.name), f"To stop these messages: {stop}" if stop is not None else "")
        text, page = self._templates.room(message, reader)
        formatted = {"format": "org.matrix.custom.html", "formatted_body": page} if page is not None else {}
        return {
            "msgtype": "m.notice" if all(part.ending for part in message.parts) else "m.text",
            "body": text,
            **formatted,
            # Present and empty: nothing in the text calls anybody, whatever it looks like.
            "m.mentions": {},
        }

    def _refuse(self, answer: Answer, now: datetime) -> None:
        said = _object_of(answer)
        code = said.get("errcode")
        if answer.status == 429:
            wait_s = _wait_s(answer, said, now)
            raise DeliveryError("the homeserver asks to wait (HTTP 429)", retry_after_s=wait_s)
        if not isinstance(code, str) or code not in _REMEDIES.keys() | _NEVER:
            refused(answer, now, secrets=(self._destination.token,))
        raise DeliveryError(
            short(f"the homeserver answered HTTP {answer.status} {code}: {_REMEDIES.get(code, 'it took none of it')}"),
            permanent=code in _NEVER,
            gone=code in _GONE,
        )


def _object_of(answer: Answer) -> Mapping[str, Any]:
    try:
        said = json.loads(answer.body)
    except ValueError:
        return {}
    return said if isinstance(said, dict) else {}


def _wait_s(answer: Answer, said: Mapping[str, Any], now: datetime) -> float | None:
    """Return the seconds to wait: by the header, as servers do since v1.10, else by the older field of the body."""
    asked = parse_retry_after(answer.headers.get("retry-after"), now)
    if asked is not None:
        return asked
    asked_ms = said.get("retry_after_ms")
    if not isinstance(asked_ms, int | float) or isinstance(asked_ms, bool) or asked_ms < 0:
        return None
    return asked_ms / 1000
