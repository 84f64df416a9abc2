"""Where messages can go, and what is needed to get them there. Secrets never show when a value is printed."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Literal
from urllib.parse import urlsplit

from watcher.notify.signature import check_secret
from watcher.settings.addresses import check_address, check_sender, is_web_address
from watcher.settings.people import ChatShape

# RFC 6750, 2.1: what a bearer token is made of.
_TOKEN = re.compile(r"[A-Za-z0-9._~+/-]+=*")

Security = Literal["none", "starttls", "tls"]


@dataclass(frozen=True, slots=True)
class EmailDestination:
    """A mailbox. ValueError when the address is none."""

    name: str
    address: str

    def __post_init__(self) -> None:
        _refuse(f'destination "{self.name}"', check_address(self.address))


@dataclass(frozen=True, slots=True)
class WebhookDestination:
    """A web address that takes signed posts.

    `secrets`: ``whsec_`` texts; several while they are being changed, the new one first. ValueError when there is none
    or one cannot sign.
    """

    name: str
    url: str
    secrets: tuple[str, ...] = field(repr=False)

    def __post_init__(self) -> None:
        if not self.secrets:
            _refuse(f'destination "{self.name}"', "it has no secret to sign with")
        for secret in self.secrets:
            _refuse(f'secret of destination "{self.name}"', check_secret(secret))


@dataclass(frozen=True, slots=True)
class CapDestination(WebhookDestination):
    """A web address that takes CAP 1.2 documents, signed as webhooks are."""


@dataclass(frozen=True, slots=True)
class ChatDestination:
    """A chat room that takes posted texts.

    `url`: whoever knows it can write into the room. `text_field`: the name under which the room looks for the text.
    `shape`: text; markdown, in which its signs are escaped; card, which has fields of its own.
    ValueError when the one is no web address or the other empty; the address is not repeated.
    """

    name: str
    url: str = field(repr=False)
    text_field: str = "text"
    shape: ChatShape = "text"

    def __post_init__(self) -> None:
        if not is_web_address(self.url) or not self.text_field:
            _refuse(f'destination "{self.name}"', "it lacks a web address (https://…) or the name of the text's field")


@dataclass(frozen=True, slots=True)
class MatrixDestination:
    """A room of a Matrix homeserver.

    `url`: the homeserver's address. `room_id`: ``!…``. `token`: of an account that may write in the room; ValueError
    when it is none.
    """

    name: str
    url: str
    room_id: str
    token: str = field(repr=False)

    def __post_init__(self) -> None:
        if _TOKEN.fullmatch(self.token) is None:
            _refuse(f'destination "{self.name}"', "it lacks an access token, one word in its file")


@dataclass(frozen=True, slots=True)
class MqttDestination:
    """A topic at an MQTT broker.

    `broker`: ``mqtts://host:port`` or ``mqtt://host:port``. `topic`, `stand_topic`: with places that are filled in;
    `stand_topic` None: the broker keeps nothing. ValueError when there is a login without a password.
    """

    name: str
    broker: str
    topic: str
    stand_topic: str | None = None
    username: str | None = None
    password: str | None = field(default=None, repr=False)

    def __post_init__(self) -> None:
        if (self.username is None) is not (self.password is None):
            _refuse(f'destination "{self.name}"', "it has a username without a password, or a password without one")

    @property
    def tls(self) -> bool:
        """Whether the connection is protected."""
        return self.broker.startswith("mqtts:")

    @property
    def host(self) -> str:
        """The host without brackets."""
        return urlsplit(self.broker).hostname or ""

    @property
    def port(self) -> int:
        """Its port; left out, the one that is registered for it: 1883, with TLS 8883 (IANA)."""
        return urlsplit(self.broker).port or (8883 if self.tls else 1883)


@dataclass(frozen=True, slots=True)
class MailServer:
    """The server that mail is handed to.

    `security`: none, starttls (required, not tried) or tls from the first byte. `from_address`: the sender, with or
    without a name. ValueError when the sender is none, or a password would travel in the clear.
    """

    host: str
    port: int
    security: Security
    from_address: str
    username: str | None = None
    password: str | None = field(default=None, repr=False)

    def __post_init__(self) -> None:
        _refuse(f'mail sender "{self.from_address}"', check_sender(self.from_address))
        if self.username is not None and self.security == "none":
            _refuse("mail server", "it has a login, and security none would send the password in the clear")


def _refuse(what: str, why: str | None) -> None:
    if why is not None:
        raise ValueError(f"{what}: {why}")
