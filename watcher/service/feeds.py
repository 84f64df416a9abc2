"""From settings to feeds: the one place that knows which class stands behind which kind of feed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from datetime import datetime
from random import Random
from urllib.parse import urlsplit

from watcher.clock import utc_now
from watcher.errors import Problem, SettingsError
from watcher.feeds.budget import Budgets
from watcher.feeds.bulk import BulkFeed, read_cache, read_xml_document
from watcher.feeds.folder import FolderFeed, read_any
from watcher.feeds.iwxxm import read_iwxxm
from watcher.feeds.model import Feed
from watcher.feeds.query import QueryFeed
from watcher.feeds.wis2 import Wis2Feed
from watcher.net import BrokerAddress, Guard, HttpClients, Login, can_use_mqtt
from watcher.settings import Settings
from watcher.settings.load import feed_key
from watcher.settings.model import FeedSection


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
