"""Chat rooms: one message as a few lines, posted through the guard to the address that a room gives for it."""

from __future__ import annotations

import json
from datetime import datetime

from watcher.errors import DeliveryError, GuardError, NetError
from watcher.net import HttpClients
from watcher.notify.answers import refused, secrets_of
from watcher.notify.message import Message
from watcher.notify.model import ChatDestination
from watcher.notify.templating import Reader, Templates
from watcher.notify.wording import plain, short

POST_TIMEOUT_S = 20.0


class ChatChannel:
    """Posts messages to one chat room.

    Parameters
    ----------
    destination
        Where to, and in which shape the room takes a message.
    http
        Checks the address and keeps the connections.
    templates
        How a message looks.
    timeout_s
        Seconds for one attempt.
    """

    kind = "chat"

    def __init__(
        self,
        destination: ChatDestination,
        http: HttpClients,
        templates: Templates,
        *,
        timeout_s: float = POST_TIMEOUT_S,
    ) -> None:
        self._destination = destination
        self._http = http
        self._templates = templates
        self._timeout_s = timeout_s

    async def send(self, message: Message, now: datetime) -> None:
        """Post one message; any answer of 200 to 299 is a yes.

        A room cannot tell a repeat: after a crash in the moment of posting, the same message may stand there twice.

        Parameters
        ----------
        message
            What to say.
        now
            The present.

        Raises
        ------
        DeliveryError
            The room could not be reached, refused, or wants no more (`gone`). It never holds the room's address.
        """
        stop = message.links.stop
        how_to_stop = f"To stop these messages: {stop}" if stop is not None else ""
        content = self._content(message, Reader(plain(self._destination.name), how_to_stop))
        headers = {"Content-Type": "application/json; charset=utf-8"}
        try:
            answer = await self._http.post(
                self._destination.url, content=content, headers=headers, timeout=self._timeout_s
            )
        except (GuardError, NetError) as error:
            raise DeliveryError(short(str(error))) from error
        if not 200 <= answer.status < 300:
            # Whoever knows the address can write into the room.
            refused(answer, now, secrets=secrets_of(self._destination.url))

    def _content(self, message: Message, reader: Reader) -> bytes:
        if self._destination.shape == "card":
            return self._templates.card(message, reader)
        text = self._templates.chat(message, reader, markdown=self._destination.shape == "markdown")
        return json.dumps({self._destination.text_field: text}, ensure_ascii=False).encode()
