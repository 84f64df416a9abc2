"""Where messages can go, and what is needed to get them there. Secrets never show when a value is printed."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Literal

from watcher.notify.address import check_address, check_sender
from watcher.notify.signature import check_secret

_WEB_ADDRESS = re.compile(r"https?://[^\s/@]+(/\S*)?")

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
class ChatDestination:
    """A chat room that takes posted texts.

    `url`: whoever knows it can write into the room. `text_field`: the name under which the room looks for the text.
    ValueError when the one is no web address or the other empty; the address is not repeated.
    """

    name: str
    url: str = field(repr=False)
    text_field: str = "text"

    def __post_init__(self) -> None:
        if _WEB_ADDRESS.fullmatch(self.url) is None or not self.text_field:
            _refuse(f'destination "{self.name}"', "it lacks a web address (https://…) or the name of the text's field")


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
