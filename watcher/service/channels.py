"""From settings to ways to send: the one place that knows which class stands behind which kind of destination."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import asynccontextmanager
from email.message import EmailMessage
from typing import assert_never

from watcher.errors import DeliveryError, Problem, SettingsError
from watcher.links import authority
from watcher.net import Broker, Guard, HttpClients, Login
from watcher.notify.cap_channel import CapChannel, Past
from watcher.notify.chat import ChatChannel
from watcher.notify.matrix import MatrixChannel
from watcher.notify.model import (
    CapDestination,
    ChatDestination,
    EmailDestination,
    MailServer,
    MatrixDestination,
    MqttDestination,
    WebhookDestination,
)
from watcher.notify.mqtt import MqttChannel
from watcher.notify.sender import Channel
from watcher.notify.smtp import MailChannel, SmtpSender
from watcher.notify.templating import Templates
from watcher.notify.webhook import WebhookChannel
from watcher.raster import can_raster
from watcher.reports.station import Station
from watcher.service.destinations import Destination
from watcher.service.templates import load_templates
from watcher.settings import Settings

NO_MAIL = "mail cannot be sent: the settings need the section [mail]"


def mail_server(settings: Settings) -> MailServer | None:
    """Return the mail server, None without one.

    Raises
    ------
    SettingsError
        It cannot be used as set.
    """
    mail = settings.text.mail
    if mail is None:
        return None
    secrets = settings.secrets.get("mail", ())
    try:
        return MailServer(
            host=mail.host,
            port=mail.port,
            security=mail.security,
            from_address=mail.from_,
            username=mail.username,
            password=secrets[0].get_secret_value() if secrets else None,
        )
    except ValueError as error:
        raise SettingsError([Problem("[mail]", str(error))]) from error


class Channels:
    """The ways to destinations, and the mail server's connections behind some of them.

    Parameters
    ----------
    settings
        Checked settings.
    http
        All outgoing HTTP.
    templates
        How messages look.
    past
        Knows what each destination was told; None: nothing, as for a test by hand.
    station_of
        Where a station is; None where nobody asks.
    """

    def __init__(
        self,
        settings: Settings,
        http: HttpClients,
        templates: Templates,
        *,
        past: Past | None = None,
        station_of: Callable[[str], Station] | None = None,
    ) -> None:
        server = mail_server(settings)
        self.smtp = SmtpSender(server) if server is not None else None
        self._http = http
        self._templates = templates
        self._past = past
        self._station_of = station_of
        self._guard = Guard(settings.text.network.allow_private)
        self._brokers: dict[tuple[str, str | None, str | None], Broker] = {}
        self._contact = settings.text.service.contact
        self._cap_sender = f"hoarline@{authority(settings.text.service.public_url)}"
        mail = settings.text.mail
        self._pictures = mail is not None and mail.pictures and can_raster()

    def to(self, destinations: Iterable[Destination]) -> dict[str, Channel]:
        """Return a channel for each destination, by name; a mailbox has none where no mail server is set."""
        return {item.name: channel for item in destinations if (channel := self.channel(item)) is not None}

    def channel(self, destination: Destination) -> Channel | None:
        """Return the way to one destination."""
        match destination:
            case CapDestination():
                return CapChannel(
                    destination, self._http, self._past, sender=self._cap_sender, station_of=self._station_of
                )
            case WebhookDestination():
                return WebhookChannel(destination, self._http, self._templates)
            case ChatDestination():
                return ChatChannel(destination, self._http, self._templates)
            case MatrixDestination():
                return MatrixChannel(destination, self._http, self._templates)
            case MqttDestination():
                return MqttChannel(destination, self._broker(destination), self._templates)
            case EmailDestination():
                if self.smtp is None:
                    return None
                return MailChannel(
                    destination, self.smtp, self._templates, contact=self._contact, pictures=self._pictures
                )
            case _:
                assert_never(destination)

    def _broker(self, destination: MqttDestination) -> Broker:
        """Return the connection to a broker: one for all that log in there alike, also when destinations change."""
        key = destination.broker, destination.username, destination.password
        if key not in self._brokers:
            login = None
            if destination.username is not None and destination.password is not None:
                login = Login(destination.username, destination.password)
            self._brokers[key] = Broker(
                self._guard, destination.host, destination.port, tls=destination.tls, login=login
            )
        return self._brokers[key]

    async def aclose(self) -> None:
        """Close the connections to the mail server and to brokers."""
        if self.smtp is not None:
            await self.smtp.aclose()
        for broker in self._brokers.values():
            await broker.aclose()


@asynccontextmanager
async def opened_channels(settings: Settings) -> AsyncIterator[Channels]:
    """Open the ways to destinations for a command that sends something once."""
    text = settings.text
    async with HttpClients(Guard(text.network.allow_private), contact=text.service.contact) as http:
        channels = Channels(settings, http, load_templates(settings))
        try:
            yield channels
        finally:
            await channels.aclose()


async def hand_over(smtp: SmtpSender, address: str, mail: EmailMessage) -> str | None:
    """Hand a mail to the server; return None when it was taken, else why not."""
    try:
        await smtp.send(address, mail.as_bytes())
    except DeliveryError as error:
        return str(error)
    return None
