"""The words that settings are written in: station codes, addresses, zones, durations; each refused with a reason."""

from __future__ import annotations

import re
from datetime import timedelta
from ipaddress import ip_address, ip_network
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, PlainSerializer

from watcher.errors import nearest
from watcher.rulebook.words import Flag
from watcher.settings.addresses import check_address, check_sender, has_host, is_web_address
from watcher.units import parse_duration

STATION_CODE = re.compile(r"[A-Z][A-Z0-9]{3}")
WALL_TIME = re.compile(r"([01]\d|2[0-3]):([0-5]\d)")
_BIND = re.compile(r"(?P<host>[^\s:]+|\[[0-9a-f:]+\]):(?P<port>\d{1,5})")
_BROKER = re.compile(r"mqtts?://(?:[A-Za-z0-9._-]{1,253}|\[[0-9A-Fa-f:.]{2,45}\])(?::(?P<port>\d{1,5}))?/?")
# Matrix specification, appendices, "Room IDs": "!" and what the server made up, 255 bytes at most; opaque beyond that.
_ROOM_ID = re.compile(r"!\S+")
_ROOM_ID_BYTES = 255
# What a topic may be filled with, and what stands there.
TOPIC_PLACES = {
    "station": 'code of the station, "all" in a digest or a test',
    "flag": 'the flag; "blind", "protection", "service", "digest" or "test" where there is none',
    "level": 'the level, "none" where there is none',
    "type": "what happened, such as episode.opened",
    "subject": "id of the episode or aircraft; the station, when it is blind",
}
# MQTT 5.0, 4.7.3: a topic name has 1 to 65,535 bytes; this leaves room for what is filled in.
_TOPIC_BYTES = 1_000
_A_FILTER = "cache/a/wis2/+/data/core/weather/aviation/metar"
# MQTT 5.0, 3.1.3.1: brokers take letters and digits; the signs are common practice, no source. Short ones are guessed.
_CLIENT_ID = re.compile(r"[A-Za-z0-9._-]{8,64}")


def _duration(value: object) -> object:
    return parse_duration(value) if isinstance(value, str) else value


def _no_controls(text: str) -> str:
    if any(ord(character) < 32 or ord(character) == 127 for character in text):
        raise ValueError("holds a line break or another control character")
    return text


def _station_code(code: str) -> str:
    if STATION_CODE.fullmatch(code) is None:
        raise ValueError(f'"{code}" is no station code; four characters that begin with a letter, in capitals')
    return code


def _mail_address(text: str) -> str:
    _refuse_mail(text, check_address(_no_controls(text)))
    return text


def _sender(text: str) -> str:
    _refuse_mail(text, check_sender(_no_controls(text)))
    return text


def _refuse_mail(text: str, why: str | None) -> None:
    if why is not None:
        raise ValueError(f'"{text}" is no mail address: {why}; write one such as duty@example.org')


def _url(text: str) -> str:
    if not is_web_address(_no_controls(text)):
        raise ValueError(f'"{text}" is no web address; write one such as https://host.example.org/path')
    return text


def _broker(text: str) -> str:
    match = _BROKER.fullmatch(text)
    if match is None or not has_host(text):
        raise ValueError(f'"{_no_controls(text)}" is no broker; write one such as mqtts://broker.example.org:8883')
    return text


def _topic(text: str) -> str:
    """Refuse what no message can be published to. Source: MQTT 5.0, 4.7.1 to 4.7.3."""
    _no_controls(text)
    unknown = sorted(set(re.findall(r"\{[^{}]*\}?|\}", text)) - {f"{{{name}}}" for name in TOPIC_PLACES})
    if unknown:
        known = ", ".join(f"{{{name}}}" for name in TOPIC_PLACES)
        raise ValueError(f'"{unknown[0]}" is not known in a topic; filled in are {known}')
    if "+" in text or "#" in text:
        raise ValueError(f'"{text}": + and # are for those who subscribe; a message goes to one topic')
    if not text or text.startswith("$") or len(text.encode("utf-8", "replace")) > _TOPIC_BYTES:
        raise ValueError(f'"{text[:40]}" is no topic; write one such as hoarline/{{station}}/{{flag}}')
    return text


def _topic_filter(text: str) -> str:
    """Refuse what nobody can listen to. Source: MQTT 5.0, 4.7.1: wildcards fill a whole level, # the last ones."""
    levels = _no_controls(text).split("/")
    wrong = any(("+" in level or "#" in level) and level not in {"+", "#"} for level in levels) or "#" in levels[:-1]
    if not text or wrong or text.startswith("$") or len(text.encode("utf-8", "replace")) > _TOPIC_BYTES:
        raise ValueError(f'"{text[:40]}" is no topic to listen to; write one such as {_A_FILTER}')
    return text


def _client_id(text: str) -> str:
    if _CLIENT_ID.fullmatch(text) is None:
        raise ValueError(f'"{text[:40]}" is no client_id: 8 to 64 letters, digits, points, _ or -')
    return text


def _room_id(text: str) -> str:
    if _ROOM_ID.fullmatch(_no_controls(text)) is None or len(text.encode()) > _ROOM_ID_BYTES:
        raise ValueError(f'"{text}" is no room id; it begins with ! (a name that begins with # is an alias)')
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
    match = _BIND.fullmatch(_no_controls(text))
    if match is None or int(match["port"]) > 65535:
        raise ValueError(f'"{text}" is no address to listen at; write one such as 127.0.0.1:8322')
    return text


def is_loopback(bind: str) -> bool:
    """Return whether an address to listen at is reached from this machine only."""
    host = bind.rpartition(":")[0].strip("[]")
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _position(text: str) -> str:
    try:
        latitude, longitude, _elevation = (float(part) for part in text.split(","))
    except ValueError as error:
        raise ValueError(f'"{text}" is not latitude,longitude,elevation in metres, such as 60.20,11.10,210') from error
    if not (-90 <= latitude <= 90 and -180 <= longitude <= 180):
        raise ValueError(f'"{text}" is no place on earth')
    return text


def _wall_time(text: str) -> str:
    if WALL_TIME.fullmatch(text) is None:
        raise ValueError(f'"{text}" is no local time such as 05:40')
    return text


def place(text: str) -> tuple[float, float]:
    """Return latitude and longitude in degrees of a text such as 60.20,11.10; ValueError when it is no place."""
    try:
        latitude, longitude = (float(part) for part in text.split(","))
    except ValueError as error:
        raise ValueError(f'"{text}" is neither latitude,longitude such as 60.20,11.10 nor a station code') from error
    if not (-90 <= latitude <= 90 and -180 <= longitude <= 180):
        raise ValueError(f'"{text}" is no place on earth')
    return latitude, longitude


def _flag(word: str) -> str:
    words = ["all", *(flag.value for flag in Flag)]
    if word not in words:
        raise ValueError(f'"{word}" is no flag; {nearest(word, words)}')
    return word


Duration = Annotated[
    timedelta,
    BeforeValidator(_duration),
    PlainSerializer(lambda duration: f"{duration.total_seconds():g}s", when_used="json"),
]
Name = Annotated[str, Field(min_length=1, max_length=80), AfterValidator(_no_controls)]
Line = Annotated[str, Field(min_length=1, max_length=253), AfterValidator(_no_controls)]
Code = Annotated[str, AfterValidator(_station_code)]
MailAddress = Annotated[str, AfterValidator(_mail_address)]
Sender = Annotated[str, AfterValidator(_sender)]
Url = Annotated[str, AfterValidator(_url)]
Broker = Annotated[str, AfterValidator(_broker)]
Topic = Annotated[str, AfterValidator(_topic)]
TopicFilter = Annotated[str, AfterValidator(_topic_filter)]
ClientId = Annotated[str, AfterValidator(_client_id)]
RoomId = Annotated[str, AfterValidator(_room_id)]
NetworkText = Annotated[str, AfterValidator(_network)]
Zone = Annotated[str, AfterValidator(_zone)]
WallTime = Annotated[str, AfterValidator(_wall_time)]
Bind = Annotated[str, AfterValidator(_bind)]
Country = Annotated[str, Field(pattern=r"^[A-Z]{2}$")]
FlagWord = Annotated[str, AfterValidator(_flag)]
Position = Annotated[str, AfterValidator(_position)]
LevelWord = Literal["note", "prepare", "treat", "no-time"]


class Section(BaseModel):
    """What all sections share: unknown keys are refused, nothing changes later."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)
