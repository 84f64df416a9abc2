"""The settings as a person writes them: every section, every key, its meaning and its default. One table, in code.

The documentation in deploy/settings.md is made from these models; a test compares the two.
"""

from __future__ import annotations

import re
from datetime import time, timedelta
from pathlib import Path
from typing import Annotated, Literal, Self
from urllib.parse import urlsplit

from pydantic import Field, model_validator

from watcher.alerts.parked import Parked
from watcher.outlook.night.model import Aircraft
from watcher.reports.station import Station
from watcher.settings.people import DestinationSection, SubscriptionSection
from watcher.settings.words import (
    Bind,
    Broker,
    ClientId,
    Code,
    Country,
    Duration,
    Line,
    Name,
    NetworkText,
    Position,
    Section,
    Sender,
    TopicFilter,
    Url,
    WallTime,
    Zone,
)

# WIS2 Topic Hierarchy: what the global caches publish of aerodrome reports (SPECI among the METARs) and forecasts.
WIS2_TOPICS = tuple(f"cache/a/wis2/+/data/core/weather/aviation/{what}" for what in ("metar", "taf"))


class StoreSection(Section):
    """Where everything is kept."""

    url: str = Field("sqlite:///hoarline.db", description="Database: SQLite file, or postgresql+psycopg://…")


class WatchSection(Section):
    """Which stations are judged, and how patiently."""

    stations: Literal["all"] | tuple[Code, ...] = Field((), description='Station codes, or "all" that report.')
    tick: Duration = Field(timedelta(seconds=30), description="How often time alone is judged.")
    blind_margin: Duration = Field(timedelta(minutes=25), description="Added to the cadence before a station is blind.")
    first_cadence: Duration = Field(timedelta(minutes=60), description="Cadence until one is learned.")
    stale_after: Duration = Field(timedelta(minutes=90), description="An older report opens nothing when first seen.")
    lead: Duration = Field(timedelta(hours=18), description="How far ahead an expected period opens an episode.")
    valid_for: Duration = Field(timedelta(hours=12), description="How long an undelivered message is worth sending.")
    keep: Duration = Field(
        timedelta(days=7),
        description="How long reports are kept; stations' habits are learned from up to 28 days of them.",
    )
    habits: Path | None = Field(
        None, description="File of habits that an archive taught; it counts until a whole week was heard of a station."
    )


def _check_address(key: str, url: str) -> None:
    """Refuse the address of a station API in which the codes have no place, or something else has."""
    unknown = sorted(set(re.findall(r"\{[^{}]*\}?|\}", url)) - {"{ids}"})
    if unknown:
        raise ValueError(f'{key}: "{unknown[0]}" is not known; the one place that is filled in is {{ids}}')
    if "{ids}" not in url.partition("#")[0]:
        raise ValueError(
            f"{key} needs {{ids}} where the station codes go, such as https://host.example.org/?ids={{ids}}"
        )
    if "{ids}" in urlsplit(url).netloc:
        raise ValueError(f"{key}: {{ids}} stands in the path or after the question mark, not in the host")


class FeedSection(Section):
    """One source of reports. They are asked in the order written; a later one only while the earlier fail."""

    name: Name = Field(description="Its name in logs and metrics.")
    kind: Literal["bulk", "folder", "query", "iwxxm", "wis2"] = Field(
        description="bulk: one file for all stations; folder: files put there; query: asked for the watched stations; "
        "iwxxm: IWXXM documents, put into a folder or at an address; "
        "wis2: told by brokers of the WMO Information System 2.0."
    )
    metar_url: Url | None = Field(
        None,
        description="bulk: METAR cache file (CSV, also .gz). query: address with {ids} where the codes go. "
        "iwxxm: document of METARs (also .gz).",
    )
    taf_url: Url | None = Field(
        None,
        description="bulk: TAF cache file (XML, also .gz). query: address with {ids} where the codes go. "
        "iwxxm: document of TAFs (also .gz).",
    )
    metar_every: Duration = Field(timedelta(seconds=60), description="How often METARs are asked for.")
    taf_every: Duration = Field(timedelta(minutes=10), description="How often TAFs are asked for.")
    folder: Path | None = Field(None, description="folder, iwxxm: where the files are.")
    at_once: int = Field(100, ge=1, le=400, description="query: the most stations in one request.")
    json_metar_url: Url | None = Field(None, description="query: METARs as JSON, asked while metar_url is of no use.")
    json_taf_url: Url | None = Field(None, description="query: TAFs as JSON, asked while taf_url is of no use.")
    brokers: tuple[Broker, ...] = Field(
        (), description="wis2: such as mqtts://broker.example.org:8883; what several bring is taken once."
    )
    username: Line | None = Field(None, description="wis2: login at all brokers, with password_file; over mqtts only.")
    password_file: Path | None = Field(None, description="wis2: file that holds the password.")
    client_id: ClientId | None = Field(
        None,
        description="wis2: by which the brokers know this service, and nobody else; the same in all its processes.",
    )
    topics: tuple[TopicFilter, ...] = Field(
        WIS2_TOPICS, min_length=1, description="wis2: what is listened to; the last level is metar or taf."
    )
    keep_for: Duration = Field(
        timedelta(hours=2), description="wis2: how long brokers keep what comes while nobody listens here."
    )
    links_a_minute: int = Field(
        60, ge=1, le=6000, description="wis2: the most requests in a minute to a host, for what is not in the message."
    )

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.kind == "folder":
            if self.folder is None:
                raise ValueError("a folder feed needs folder")
        elif self.kind == "wis2":
            self._check_wis2()
        elif self.kind == "iwxxm":
            self._check_iwxxm()
        elif self.metar_url is None and self.taf_url is None:
            raise ValueError(f"a {self.kind} feed needs metar_url, taf_url or both")
        if self.kind == "query":
            self._check_query()
        elif self.json_metar_url is not None or self.json_taf_url is not None:
            raise ValueError(f"a {self.kind} feed has no json_metar_url and no json_taf_url; those are for query")
        return self

    def _check_iwxxm(self) -> None:
        if (self.folder is None) is (self.metar_url is None and self.taf_url is None):
            raise ValueError("an iwxxm feed needs either folder, or metar_url, taf_url or both")

    def _check_wis2(self) -> None:
        if not self.brokers or self.client_id is None:
            raise ValueError("a wis2 feed needs brokers and client_id")
        if self.metar_url is not None or self.taf_url is not None:
            raise ValueError("a wis2 feed has brokers, and no metar_url and no taf_url")
        if (self.username is None) is not (self.password_file is None):
            raise ValueError("username and password_file belong together")
        if self.username is not None and any(not broker.startswith("mqtts:") for broker in self.brokers):
            raise ValueError("the password would travel in the clear; a broker with a login is reached by mqtts://")
        if len(set(self.brokers)) < len(self.brokers):
            raise ValueError("a broker stands twice: it would push itself out again and again")
        if not timedelta(minutes=1) <= self.keep_for <= timedelta(days=1):
            raise ValueError("keep_for is 1m to 24h: what is older says nothing of the weather")

    def _check_query(self) -> None:
        for what in ("metar", "taf"):
            if getattr(self, f"json_{what}_url") is not None and getattr(self, f"{what}_url") is None:
                raise ValueError(f"json_{what}_url stands in for {what}_url, which is missing")
        for key in ("metar_url", "taf_url", "json_metar_url", "json_taf_url"):
            url = getattr(self, key)
            if url is not None:
                _check_address(key, url)


class NightSection(Section):
    """The frost forecast."""

    ahead: Duration = Field(timedelta(hours=15), description="How far ahead it is computed.")
    members: int = Field(200, ge=0, le=2000, description="Size of the ensemble; 0: no frost forecast.")
    most: int = Field(1500, ge=1, description="The most stations computed in a minute, the coldest first.")


class MailSection(Section):
    """The server that mail is handed to."""

    host: Line = Field("127.0.0.1", description="Mail server.")
    port: int = Field(25, ge=1, le=65535, description="Its port.")
    security: Literal["none", "starttls", "tls"] = Field("starttls", description="How the connection is protected.")
    from_: Sender = Field(alias="from", description="Sender, such as Hoarline <hoarline@example.org>.")
    username: Line | None = Field(None, description="Login, with password_file.")
    password_file: Path | None = Field(None, description="File that holds the password.")
    pictures: bool = Field(
        True, description="Draw expected frost into the mail as well; without the extra `pictures` there is none."
    )

    @model_validator(mode="after")
    def _login(self) -> Self:
        if (self.username is None) is not (self.password_file is None):
            raise ValueError("username and password_file belong together")
        return self


class NetworkSection(Section):
    """What outgoing connections may reach besides public addresses."""

    allow_private: tuple[NetworkText, ...] = Field((), description="Networks such as 10.20.0.0/16.")


class RulesSection(Section):
    """Which rules are in force."""

    folder: Path | None = Field(None, description="Folder of rule files laid over the shipped ones.")


class StationSection(Section):
    """One station, where the table lacks it or is wrong."""

    code: Code = Field(description="Four characters.")
    name: Name | None = Field(None, description="For people.")
    position: Position | None = Field(None, description="Latitude, longitude, elevation in metres: 60.20,11.10,210.")
    zone: Zone | None = Field(None, description="Time zone.")
    country: Country | None = Field(None, description="ISO 3166 code.")

    def station(self) -> Station:
        """Return the station as a value."""
        latitude, longitude, elevation = (
            (float(part) for part in self.position.split(",")) if self.position is not None else (None, None, None)
        )
        return Station(self.code, self.name, self.country, latitude, longitude, elevation, self.zone)


class ParkedSection(Section):
    """One aircraft that stands outside; the digests of those who follow its station begin with it."""

    name: Name = Field(description="Its name in the digest.")
    station: Code = Field(description="Where it stands; one of the watched stations.")
    departs: WallTime = Field(description="When it departs every day: local wall time such as 05:40.")
    zone: Zone | None = Field(
        None, description="Time zone of departs; left out: the station's, and where that is not known, UTC."
    )
    fuel_c: Annotated[float, Field(ge=-60, le=60)] | None = Field(
        None, description="Temperature of the fuel in its wing tanks in °C; left out: not known."
    )
    sky: float = Field(1.0, ge=0, le=1, description="Share of the sky that its wing sees: 1 in the open.")
    emissivity: Annotated[float, Field(ge=0.02, le=1)] | None = Field(
        None, description="Of the upper skin; left out: as of paint, 0.85 to 0.95."
    )

    def parked(self, station_zone: str | None) -> Parked:
        """Return the aircraft as a value; `station_zone`: of the station that it stands at, None where not known."""
        aircraft = Aircraft(fuel_c=self.fuel_c, sheltered=self.sky, emissivity=self.emissivity)
        zone = self.zone or station_zone or "UTC"
        return Parked(self.name, self.station, time.fromisoformat(self.departs), zone, aircraft)


class HealthSection(Section):
    """The port for health and metrics."""

    bind: Bind = Field("127.0.0.1:8322", description="Where /livez, /readyz and /metrics are.")


class HeartbeatSection(Section):
    """A web address that is called after every successful cycle while messages go out: others notice silence."""

    url: Url | None = Field(None, description="Called with GET.")
    every: Duration = Field(timedelta(minutes=1), description="At most so often.")


class CaretakerSection(Section):
    """Who is told when the service itself is not well, and is again. While none runs, its silent heartbeat tells."""

    to: tuple[Name, ...] = Field((), description="Names of destinations of these settings; left out: nobody is told.")
    settle: Duration = Field(timedelta(minutes=2), description="So long it must last, or be over, before it is told.")
    late: Duration = Field(timedelta(minutes=15), description="A message that is due for so long is late.")


class WebSection(Section):
    """The board, the pages that links in messages open, and the API."""

    bind: Bind | None = Field(None, description="Where they are, such as 127.0.0.1:8321; left out: there are none.")
    open_reading: bool = Field(
        False, description="Whoever reaches the board may read it without signing in; only with a loopback address."
    )
    session: Duration = Field(timedelta(hours=12), description="How long one stays signed in.")


class NotifySection(Section):
    """How messages look, and when a fallback is told in another's place."""

    templates: Path | None = Field(None, description="Folder of templates laid over the shipped ones.")
    fallback_after: Duration = Field(
        timedelta(minutes=15), description="So long a destination may be out of reach before its fallback is told."
    )


class ServiceSection(Section):
    """Who runs it."""

    contact: Name = Field("", min_length=0, description="Mail or web address in the User-Agent and in mails.")
    public_url: Url | None = Field(None, description="Where people reach it; named in messages.")
    log: Literal["text", "json"] = Field("text", description="Form of the log lines.")


class SettingsText(Section):
    """A whole settings file."""

    store: StoreSection = StoreSection()
    watch: WatchSection = WatchSection()
    feed: tuple[FeedSection, ...] = ()
    night: NightSection = NightSection()
    mail: MailSection | None = None
    network: NetworkSection = NetworkSection()
    destination: tuple[DestinationSection, ...] = ()
    subscription: tuple[SubscriptionSection, ...] = ()
    parked: tuple[ParkedSection, ...] = ()
    rules: RulesSection = RulesSection()
    station: tuple[StationSection, ...] = ()
    health: HealthSection = HealthSection()
    heartbeat: HeartbeatSection = HeartbeatSection()
    caretaker: CaretakerSection = CaretakerSection()
    web: WebSection = WebSection()
    notify: NotifySection = NotifySection()
    service: ServiceSection = ServiceSection()
