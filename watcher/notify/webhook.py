"""Webhooks: one event in one signed post, through the guard. Standard Webhooks 1.0.0."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from watcher.errors import DeliveryError, GuardError, NetError
from watcher.net import HttpClients
from watcher.notify.answers import refused, secrets_of
from watcher.notify.message import Message
from watcher.notify.model import WebhookDestination
from watcher.notify.signature import signed_headers
from watcher.notify.templating import Templates
from watcher.notify.wording import short

POST_TIMEOUT_S = 20.0


class WebhookChannel:
    """Posts messages to one web address.

    Parameters
    ----------
    destination
        Where to, and what to sign with.
    http
        Checks the address and keeps the connections.
    templates
        What a body looks like.
    timeout_s
        Seconds for one attempt. The standard recommends 15 to 30.
    """

    kind = "webhook"

    def __init__(
        self,
        destination: WebhookDestination,
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

        Parameters
        ----------
        message
            What to say. Its id becomes ``webhook-id``: the same in every attempt, so that the receiver can tell a
            repeat.
        now
            Signed as ``webhook-timestamp``.

        Raises
        ------
        DeliveryError
            The receiver could not be reached, refused, or wants no more (`gone`).
        """
        body = self._templates.webhook(message)
        headers = signed_headers(message.id, now, body, self._destination.secrets)
        await post_signed(self._http, self._destination.url, body, "application/json", headers, now, self._timeout_s)


async def post_signed(  # noqa: PLR0917 - one post
    http: HttpClients,
    url: str,
    body: bytes,
    media_type: str,
    headers: Mapping[str, str],
    now: datetime,
    timeout_s: float,
) -> None:
    """Post a signed body; DeliveryError when it was not taken."""
    try:
        answer = await http.post(url, content=body, headers={"Content-Type": media_type, **headers}, timeout=timeout_s)
    except (GuardError, NetError) as error:
        raise DeliveryError(short(str(error))) from error
    if not 200 <= answer.status < 300:
        refused(answer, now, secrets=secrets_of(url))
