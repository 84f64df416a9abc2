"""The settings as a person writes them: every section, every key, its meaning and its default. One table, in code.

The documentation in deploy/settings.md is made from these models; a test compares the two.
"""

from __future__ import annotations

import re
from datetime import time, timedelta
from ipaddress import ip_network
from pathlib import Path
from typing import Annotated, Literal, Self
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from watcher.alerts.model import Hours
from watcher.errors import nearest
from watcher.reports.station import Station
from watcher.rulebook.words import Flag, Level
from watcher.units import parse_duration

_CODE = re.compile(r"[A-Z][A-Z0-9]{3}")
_ADDRESS = re.compile(r"[^\s@<>,;:\"()\[\]\\]{1,64}@[A-Za-z0-9.-]{1,253}")
_HOURS = re.compile(r"([01]\d|2[0-3]):([0-5]\d)-([01]\d|2[0-3]):([0-5]\d)")
_BIND = re.compile(r"(?P<host>[^\s:]+|\[[0-9a-f:]+\]):(?P<port>\d{1,5})")


def _duration(value: object) -> object:
    return parse_duration(value) if isinstance(value, str) else value


def _no_controls(text: str) -> str:
    if any(ord(character) < 32 or ord(character) == 127 for character in text):
        raise ValueError("holds a line break or another control character")
    return text


def _station_code(code: str) -> str:
    if _CODE.fullmatch(code) is None:
        raise ValueError(f'"{code}" is no station code; four characters that begin with a letter, in capitals')
    return code


def _mail_address(text: str) -> str:
    if _ADDRESS.fullmatch(_no_controls(text)) is None:
        raise ValueError(f'"{text}" is no mail address; write one such as duty@example.org')
    return text


def _sender(text: str) -> str:
    match = re.fullmatch(r"(?:[^<>\"]*\s)?<([^<>]+)>", _no_controls(text))
    _mail_address(match[1] if match is not None else text)
    return text


def _url(text: str) -> str:
    if not re.fullmatch(r"https?://[^\s/@]+(?:/\S*)?", _no_controls(text)):
        raise ValueError(f'"{text}" is no web address; write one such as https://host.example.org/path')
    return text


def _network(text: str) -> str:
    ip_network(text)
    return text


def _zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise ValueError(f'"{name}" is no time zone; write one such as Europe/Oslo or UTC') from error
    return name


def _bind(text: str) -> str:
    match = _BIND.fullmatch(text)
    if match is None or int(match["port"]) > 65535:
        raise ValueError(f'"{text}" is no address to listen at; write one such as 127.0.0.1:8322')
    return text


def _position(text: str) -> str:
    try:
        latitude, longitude, _elevation = (float(part) for part in text.split(","))
    except ValueError as error:
        raise ValueError(f'"{text}" is not latitude,longitude,elevation in metres, such as 60.20,11.10,210') from error
    if not (-90 <= latitude <= 90 and -180 <= longitude <= 180):
        raise ValueError(f'"{text}" is no place on earth')
    return text


def _flag(word: str) -> str:
    words = ["all", *(flag.value for flag in Flag)]
    if word not in words:
        raise ValueError(f'"{word}" is no flag; {nearest(word, words)}')
    return word


Duration = Annotated[timedelta, BeforeValidator(_duration)]
Name = Annotated[str, Field(min_length=1, max_length=80), AfterValidator(_no_controls)]
Code = Annotated[str, AfterValidator(_station_code)]
MailAddress = Annotated[str, AfterValidator(_mail_address)]
Sender = Annotated[str, AfterValidator(_sender)]
Url = Annotated[str, AfterValidator(_url)]
NetworkText = Annotated[str, AfterValidator(_network)]
Zone = Annotated[str, AfterValidator(_zone)]
Bind = Annotated[str, AfterValidator(_bind)]
FlagWord = Annotated[str, AfterValidator(_flag)]
LevelWord = Literal["note", "prepare", "treat", "no-time"]


class Section(BaseModel):
    """What all sections share: unknown keys are refused, nothing changes later."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


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
    keep: Duration = Field(timedelta(days=7), description="How long reports are kept.")


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
    kind: Literal["bulk", "folder", "query"] = Field(
        description="bulk: one file for all stations; folder: files put there; query: asked for the watched stations."
    )
    metar_url: Url | None = Field(
        None, description="bulk: METAR cache file (CSV, also .gz). query: address with {ids} where the codes go."
    )
    taf_url: Url | None = Field(
        None, description="bulk: TAF cache file (XML, also .gz). query: address with {ids} where the codes go."
    )
    metar_every: Duration = Field(timedelta(seconds=60), description="How often METARs are asked for.")
    taf_every: Duration = Field(timedelta(minutes=10), description="How often TAFs are asked for.")
    folder: Path | None = Field(None, description="folder: where the files are.")
    at_once: int = Field(100, ge=1, le=400, description="query: the most stations in one request.")
    json_metar_url: Url | None = Field(None, description="query: METARs as JSON, asked while metar_url is of no use.")
    json_taf_url: Url | None = Field(None, description="query: TAFs as JSON, asked while taf_url is of no use.")

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.kind == "folder":
            if self.folder is None:
                raise ValueError("a folder feed needs folder")
        elif self.metar_url is None and self.taf_url is None:
            raise ValueError(f"a {self.kind} feed needs metar_url, taf_url or both")
        if self.kind == "query":
            self._check_query()
        elif self.json_metar_url is not None or self.json_taf_url is not None:
            raise ValueError(f"a {self.kind} feed has no json_metar_url and no json_taf_url; those are for query")
        return self

    def _check_query(self) -> None:
        for what in ("metar", "taf"):
            if getattr(self, f"json_{what}_url") is not None and getattr(self, f"{what}_url") is None:
                raise ValueError(f"json_{what}_url stands in for {what}_url, which is missing")
        for key in ("metar_url", "taf_url", "json_metar_url", "json_taf_url"):
            url = getattr(self, key)
            if url is not None:
                _check_address(key, url)


class MailSection(Section):
    """The server that mail is handed to."""

    host: str = Field("127.0.0.1", description="Mail server.")
    port: int = Field(25, ge=1, le=65535, description="Its port.")
    security: Literal["none", "starttls", "tls"] = Field("starttls", description="How the connection is protected.")
    from_: Sender = Field(alias="from", description="Sender, such as Hoarline <hoarline@example.org>.")
    username: str | None = Field(None, description="Login, with password_file.")
    password_file: Path | None = Field(None, description="File that holds the password.")

    @model_validator(mode="after")
    def _login(self) -> Self:
        if (self.username is None) is not (self.password_file is None):
            raise ValueError("username and password_file belong together")
        return self


class NetworkSection(Section):
    """What outgoing connections may reach besides public addresses."""

    allow_private: tuple[NetworkText, ...] = Field((), description="Networks such as 10.20.0.0/16.")


class DestinationSection(Section):
    """One place where messages can go."""

    name: Name = Field(description="Its name in subscriptions.")
    kind: Literal["email", "webhook"] = Field(description="What it is.")
    address: MailAddress | None = Field(None, description="email: the address.")
    url: Url | None = Field(None, description="webhook: where to post.")
    secret_file: Path | tuple[Path, ...] | None = Field(
        None, description="webhook: file with whsec_…; several while the secret is being changed, the new one first."
    )

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.kind == "email" and (self.address is None or self.url is not None):
            raise ValueError("an email destination has an address and no url")
        if self.kind == "webhook" and (self.url is None or self.secret_file is None or self.address is not None):
            raise ValueError("a webhook destination has url and secret_file and no address")
        return self


class SubscriptionSection(Section):
    """Who wants what."""

    name: Name = Field(description="Its name.")
    stations: Literal["all"] | tuple[Code, ...] = Field("all", description='Station codes, or "all".')
    flags: tuple[FlagWord, ...] = Field(("all",), description='Flags, or "all".')
    min_level: LevelWord = Field("prepare", description="The lowest level that opens a message.")
    to: tuple[Name, ...] = Field(min_length=1, description="Names of destinations.")
    hours: str | None = Field(None, description="Local wall time such as 18:00-09:00; left out: always.")
    zone: Zone | None = Field(None, description="Time zone of hours.")
    no_time_ignores_hours: bool = Field(True, description="Tell no-time at any hour.")

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.hours is not None and _HOURS.fullmatch(self.hours) is None:
            raise ValueError(f'hours "{self.hours}" are not such as 18:00-09:00')
        if (self.hours is None) is not (self.zone is None):
            raise ValueError("hours and zone belong together")
        return self

    def wanted_hours(self) -> Hours | None:
        """Return the hours as a value."""
        match = _HOURS.fullmatch(self.hours or "")
        if match is None or self.zone is None:
            return None
        begin_h, begin_m, end_h, end_m = (int(part) for part in match.groups())
        return Hours(time(begin_h, begin_m), time(end_h, end_m), self.zone)

    def level(self) -> Level:
        """Return the lowest level as a value."""
        return Level.of(self.min_level)


class RulesSection(Section):
    """Which rules are in force."""

    folder: Path | None = Field(None, description="Folder of rule files laid over the shipped ones.")


class StationSection(Section):
    """One station, where the table lacks it or is wrong."""

    code: Code = Field(description="Four characters.")
    name: Name | None = Field(None, description="For people.")
    position: Annotated[str, AfterValidator(_position)] | None = Field(
        None, description="Latitude, longitude, elevation in metres: 60.20,11.10,210."
    )
    zone: Zone | None = Field(None, description="Time zone.")
    country: Annotated[str, Field(pattern=r"^[A-Z]{2}$")] | None = Field(None, description="ISO 3166 code.")

    def station(self) -> Station:
        """Return the station as a value."""
        latitude, longitude, elevation = (
            (float(part) for part in self.position.split(",")) if self.position is not None else (None, None, None)
        )
        return Station(self.code, self.name, self.country, latitude, longitude, elevation, self.zone)


class HealthSection(Section):
    """The port for health and metrics."""

    bind: Bind = Field("127.0.0.1:8322", description="Where /livez, /readyz and /metrics are.")


class HeartbeatSection(Section):
    """A web address that is called after every whole successful cycle, so that others notice silence."""

    url: Url | None = Field(None, description="Called with GET.")
    every: Duration = Field(timedelta(minutes=1), description="At most so often.")


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
    mail: MailSection | None = None
    network: NetworkSection = NetworkSection()
    destination: tuple[DestinationSection, ...] = ()
    subscription: tuple[SubscriptionSection, ...] = ()
    rules: RulesSection = RulesSection()
    station: tuple[StationSection, ...] = ()
    health: HealthSection = HealthSection()
    heartbeat: HeartbeatSection = HeartbeatSection()
    service: ServiceSection = ServiceSection()
