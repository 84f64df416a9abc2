"""From settings to the parts of the service: the one place that knows which class stands behind which word."""

from __future__ import annotations

from collections import Counter
from collections.abc import AsyncIterator, Callable, Iterable, Mapping
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import datetime
from email.message import EmailMessage
from pathlib import Path
from random import Random
from typing import assert_never
from urllib.parse import urlsplit

from watcher.alerts.habits import Habits
from watcher.clock import utc_now
from watcher.errors import DeliveryError, Problem, SettingsError
from watcher.feeds.budget import Budgets
from watcher.feeds.bulk import BulkFeed, read_cache, read_xml_document
from watcher.feeds.folder import FolderFeed, read_any
from watcher.feeds.iwxxm import read_iwxxm
from watcher.feeds.model import Feed
from watcher.feeds.query import QueryFeed
from watcher.feeds.wis2 import Wis2Feed
from watcher.links import authority
from watcher.net import Broker, BrokerAddress, Guard, HttpClients, Login, can_use_mqtt
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
from watcher.service.cycle import Watch
from watcher.service.destinations import Destination
from watcher.service.nights import NightPolicy
from watcher.service.rules_folder import load_rulebook
from watcher.service.tables_folder import load_tables
from watcher.settings import Settings
from watcher.settings.habits import habits_of
from watcher.settings.load import feed_key
from watcher.settings.model import FeedSection
from watcher.stations import StationTable

NO_MAIL = "mail cannot be sent: the settings need the section [mail]"


def build_watch(settings: Settings, habits: Mapping[str, Habits] | None = None) -> Watch:
    """Return what is judged, and by what.

    Parameters
    ----------
    settings
        Checked settings.
    habits
        What stations usually do; None: what the settings' file says.

    Raises
    ------
    RulesError
        The rules or the holdover tables cannot be used.
    SettingsError
        The file of habits cannot.
    """
    folder = settings.path(settings.text.rules.folder) if settings.text.rules.folder is not None else None
    watched = settings.text.watch.stations
    return Watch(
        codes=None if watched == "all" else frozenset(watched),
        stations=StationTable.load(settings.station_overrides()),
        rulebook=load_rulebook(folder),
        policy=replace(settings.policy(), habits=habits_of(settings) if habits is None else habits),
        tables=load_tables(folder),
    )


def night_policy(settings: Settings) -> NightPolicy:
    """Return how far and for how many stations frost is computed."""
    night = settings.text.night
    return NightPolicy(night.ahead, night.members, night.most)


def build_feeds(
    settings: Settings, http: HttpClients, random: Random, clock: Callable[[], datetime] = utc_now
) -> tuple[Feed, ...]:
    """Return the feeds in the order of the settings; SettingsError when one of them cannot listen."""
    check_listening(settings)
    budgets = Budgets(random)
    return tuple(
        _listening(section, settings, http, random, clock)
        if section.kind == "wis2"
        else _feed(section, settings, http, budgets)
        for section in settings.text.feed
    )


def check_listening(settings: Settings) -> None:
    """Make sure that the feeds that listen can.

    Raises
    ------
    SettingsError
        The extra is not installed, or two feeds have one name at a broker.
    """
    feeds = [section for section in settings.text.feed if section.kind == "wis2"]
    problems = []
    if feeds and not can_use_mqtt():
        what = "listening to brokers needs the extra mqtt"
        problems.append(Problem(f'feed "{feeds[0].name}"', what, 'install it with: pip install "hoarline[mqtt]"'))
    sessions = Counter((broker, feed.client_id) for feed in feeds for broker in feed.brokers)
    for (broker, client_id), count in sessions.items():
        if count > 1:
            what = f'two feeds are "{client_id}" at {broker}: each would push the other out'
            problems.append(Problem("feed", what, "give each a client_id of its own, or listen with one"))
    if problems:
        raise SettingsError(problems)


def _listening(
    section: FeedSection, settings: Settings, http: HttpClients, random: Random, clock: Callable[[], datetime]
) -> Wis2Feed:
    assert section.client_id is not None
    login = None
    if section.username is not None:
        login = Login(section.username, settings.secrets[feed_key(section.name)][0].get_secret_value())
    return Wis2Feed(
        section.name,
        Guard(settings.text.network.allow_private),
        http,
        Budgets(random, per_minute=section.links_a_minute),
        brokers=[broker_address(url) for url in section.brokers],
        login=login,
        client_id=section.client_id,
        topics=section.topics,
        keep=section.keep_for,
        clock=clock,
        random=random,
        # The leader asks so often; whoever has missed some turns leads no more.
        idle=max(section.metar_every, section.taf_every) * 3,
    )


def broker_address(url: str) -> BrokerAddress:
    """Return where a broker is, of an address such as mqtts://broker.example.org:8883."""
    parts = urlsplit(url)
    tls = parts.scheme == "mqtts"
    return BrokerAddress(parts.hostname or "", parts.port or (8883 if tls else 1883), tls)


def _feed(section: FeedSection, settings: Settings, http: HttpClients, budgets: Budgets) -> Feed:
    is_iwxxm = section.kind == "iwxxm"
    if section.folder is not None and section.kind in {"folder", "iwxxm"}:
        return FolderFeed(section.name, settings.path(section.folder), read=read_iwxxm if is_iwxxm else read_any)
    if section.kind == "query":
        stations = settings.text.watch.stations
        assert stations != "all"
        return QueryFeed(
            section.name,
            http,
            budgets,
            stations,
            metar_url=section.metar_url,
            taf_url=section.taf_url,
            json_metar_url=section.json_metar_url,
            json_taf_url=section.json_taf_url,
            at_once=section.at_once,
        )
    return BulkFeed(
        section.name,
        http,
        budgets,
        metar_url=section.metar_url,
        taf_url=section.taf_url,
        read=read_xml_document if is_iwxxm else read_cache,
    )


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


def load_templates(settings: Settings) -> Templates:
    """Return how messages look; SettingsError when a template of the operator's is wrong."""
    folder = settings.text.notify.templates
    return Templates.load(_template_texts(settings.path(folder)) if folder is not None else {})


def _template_texts(folder: Path) -> dict[str, str]:
    if not folder.is_dir():
        raise SettingsError(
            [Problem(str(folder), "is no folder", "name a folder with templates in [notify] templates")]
        )
    texts: dict[str, str] = {}
    problems = []
    for path in sorted(path for path in folder.iterdir() if path.is_file() and not path.name.startswith(".")):
        try:
            texts[path.name] = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            problems.append(Problem(str(path), f"cannot be read: {error}"))
    if problems:
        raise SettingsError(problems)
    return texts
