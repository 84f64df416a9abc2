"""From settings to the parts of the service: the one place that knows which class stands behind which word."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from random import Random

from watcher.errors import Problem, SettingsError
from watcher.feeds.budget import Budgets
from watcher.feeds.bulk import BulkFeed
from watcher.feeds.folder import FolderFeed
from watcher.feeds.model import Feed
from watcher.feeds.query import QueryFeed
from watcher.net import HttpClients
from watcher.notify.model import EmailDestination, MailServer, WebhookDestination
from watcher.notify.sender import Channel
from watcher.notify.smtp import MailChannel, SmtpSender
from watcher.notify.webhook import WebhookChannel
from watcher.service.cycle import Watch
from watcher.service.rules_folder import load_rulebook
from watcher.settings import Settings
from watcher.settings.model import FeedSection
from watcher.stations import StationTable


def build_watch(settings: Settings) -> Watch:
    """Return what is judged, by what, and for whom; RulesError when the rules cannot be used."""
    folder = settings.text.rules.folder
    watched = settings.text.watch.stations
    return Watch(
        codes=None if watched == "all" else frozenset(watched),
        stations=StationTable.load(settings.station_overrides()),
        rulebook=load_rulebook(settings.path(folder) if folder is not None else None),
        policy=settings.policy(),
        subscriptions=settings.subscriptions(),
    )


def build_feeds(settings: Settings, http: HttpClients, random: Random) -> tuple[Feed, ...]:
    """Return the feeds in the order of the settings."""
    budgets = Budgets(random)
    return tuple(_feed(section, settings, http, budgets) for section in settings.text.feed)


def _feed(section: FeedSection, settings: Settings, http: HttpClients, budgets: Budgets) -> Feed:
    if section.kind == "folder":
        assert section.folder is not None
        return FolderFeed(section.name, settings.path(section.folder))
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
    return BulkFeed(section.name, http, budgets, metar_url=section.metar_url, taf_url=section.taf_url)


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


def destinations(settings: Settings) -> Mapping[str, EmailDestination | WebhookDestination]:
    """Return the destinations by name.

    Raises
    ------
    SettingsError
        With all that cannot be used as set.
    """
    found: dict[str, EmailDestination | WebhookDestination] = {}
    problems = []
    for section in settings.text.destination:
        try:
            if section.kind == "email":
                assert section.address is not None
                found[section.name] = EmailDestination(section.name, section.address)
            else:
                assert section.url is not None
                secrets = tuple(secret.get_secret_value() for secret in settings.secrets.get(section.name, ()))
                found[section.name] = WebhookDestination(section.name, section.url, secrets)
        except ValueError as error:
            problems.append(Problem("[[destination]]", str(error)))
    if problems:
        raise SettingsError(problems)
    return found


@dataclass(frozen=True, slots=True)
class Channels:
    """The ways to the destinations, by name, and the mail server's connections behind some of them."""

    by_name: Mapping[str, Channel]
    smtp: SmtpSender | None

    async def aclose(self) -> None:
        """Close the connections to the mail server."""
        if self.smtp is not None:
            await self.smtp.aclose()


def build_channels(settings: Settings, http: HttpClients) -> Channels:
    """Return a channel for every destination; SettingsError when one cannot be used as set."""
    server = mail_server(settings)
    smtp = SmtpSender(server) if server is not None else None
    contact = settings.text.service.contact
    found: dict[str, Channel] = {}
    for name, destination in destinations(settings).items():
        if isinstance(destination, WebhookDestination):
            found[name] = WebhookChannel(destination, http)
        else:
            assert smtp is not None
            found[name] = MailChannel(destination, smtp, contact=contact)
    return Channels(found, smtp)
