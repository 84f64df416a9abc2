"""Destinations and subscriptions as a person writes them, in the settings or with a command."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import time, timedelta
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Literal, Self, TypeAlias

from pydantic import Field, model_validator

from watcher.alerts.subscribers import Hours
from watcher.rulebook.words import Flag, Level
from watcher.settings.words import (
    STATION_CODE,
    TOPIC_PLACES,
    WALL_TIME,
    Broker,
    Code,
    Country,
    Duration,
    FlagWord,
    LevelWord,
    MailAddress,
    Name,
    RoomId,
    Section,
    Topic,
    Url,
    Zone,
    place,
)
from watcher.units import KILOMETRES_PER_NAUTICAL_MILE

_HOURS = re.compile(r"([01]\d|2[0-3]):([0-5]\d)-([01]\d|2[0-3]):([0-5]\d)")

# What happens in so long a time makes one mail or chat message.
GROUP_WITHIN = timedelta(seconds=20)
_HOUR = timedelta(hours=1)

DestinationKind: TypeAlias = Literal["email", "webhook", "chat", "matrix", "mqtt", "cap"]
ChatShape: TypeAlias = Literal["text", "markdown", "card"]


@dataclass(frozen=True, slots=True)
class _Keys:
    """What belongs to a kind of destination.

    `needed`: keys without which it is none. `secret`: the key that names its secret file. `may`: keys that it can do
    without. `alone`: a message of it carries one event.
    """

    needed: tuple[str, ...]
    secret: str | None = None
    may: tuple[str, ...] = ()
    alone: bool = False


_KEYS: Mapping[DestinationKind, _Keys] = MappingProxyType({
    "email": _Keys(("address",), may=("group_within",)),
    "webhook": _Keys(("url",), "secret_file", alone=True),
    "chat": _Keys((), "url_file", ("text_field", "shape", "group_within")),
    "matrix": _Keys(("url", "room_id"), "token_file", ("group_within",)),
    "mqtt": _Keys(("broker", "topic"), "password_file", ("stand_topic", "username"), alone=True),
    "cap": _Keys(("url",), "secret_file", alone=True),
})  # fmt: skip
KINDS: tuple[DestinationKind, ...] = tuple(_KEYS)
SIGNED: frozenset[DestinationKind] = frozenset(kind for kind, keys in _KEYS.items() if keys.secret == "secret_file")


class DestinationSection(Section):
    """One place where messages can go."""

    name: Name = Field(description="Its name in subscriptions.")
    kind: DestinationKind = Field(
        description="email: a mailbox; webhook: signed JSON for programs; chat: a text posted to a chat room; "
        "matrix: a room of a Matrix homeserver; mqtt: JSON published at a broker; cap: signed CAP 1.2 documents."
    )
    address: MailAddress | None = Field(None, description="email: the address.")
    url: Url | None = Field(None, description="webhook, cap: where to post. matrix: the homeserver's address.")
    secret_file: Path | tuple[Path, ...] | None = Field(
        None,
        description="webhook, cap: file with whsec_…; several while the secret is being changed, the new one first.",
    )
    url_file: Path | None = Field(None, description="chat: file with the room's web address, which is a secret.")
    shape: ChatShape | None = Field(
        None,
        description="chat: text, as it is (when left out); markdown, its signs escaped; card, with a title and lines.",
    )
    text_field: Annotated[str, Field(pattern=r"^[A-Za-z_]{1,40}$")] = Field(
        "text", description="chat: name of the JSON field that the room reads; a card has none."
    )
    room_id: RoomId | None = Field(None, description="matrix: id of the room, such as !made-up:example.org.")
    token_file: Path | None = Field(None, description="matrix: file with the access token of an account in the room.")
    broker: Broker | None = Field(
        None,
        description="mqtt: such as mqtts://broker.example.org:8883, whose certificate the machine's own store or "
        "SSL_CERT_FILE vouches for; mqtt:// is clear.",
    )
    topic: Topic | None = Field(
        None, description=f"mqtt: such as hoarline/{{station}}/{{flag}}; filled in: {', '.join(TOPIC_PLACES)}."
    )
    stand_topic: Topic | None = Field(
        None, description="mqtt: topic at which the broker keeps how each alert stands, until it is over."
    )
    username: Name | None = Field(None, description="mqtt: login, with password_file; over mqtts only.")
    password_file: Path | None = Field(None, description="mqtt: file that holds the password.")
    group_within: Duration | None = Field(
        None, description="email, chat, matrix: what happens in so long a time makes one message; left out: 20s."
    )
    fallback: Name | None = Field(
        None,
        description="Name of the destination that is told instead while this one cannot be reached or wants no more; "
        "of any kind but cap.",
    )

    @model_validator(mode="after")
    def _whole(self) -> Self:
        keys = _KEYS[self.kind]
        if self.group_within is not None and (keys.alone or not timedelta() <= self.group_within <= _HOUR):
            raise ValueError("group_within is for email, chat and matrix, from 0s to 1h; the others carry one event")
        given = {
            name for name in self.model_fields_set - {"name", "kind", "fallback"} if getattr(self, name) is not None
        }
        # Destinations that are kept in the store have their secrets there, not in files.
        known = {*keys.needed, *keys.may, *((keys.secret,) if keys.secret is not None else ())}
        if given - known or set(keys.needed) - given:
            raise ValueError(f"a destination of kind {self.kind} has {_listed(keys)}, and nothing else")
        if self.password_file is not None and self.username is None:
            raise ValueError("password_file belongs to username")
        if self.username is not None and not (self.broker or "").startswith("mqtts:"):
            raise ValueError("the password would travel in the clear; a broker with a login is reached by mqtts://")
        if self.stand_topic is not None and "{subject}" not in self.stand_topic:
            # Where two alerts share a topic, the end of one takes the other away.
            raise ValueError("stand_topic has {subject} in it, so that each alert has a place of its own")
        if self.stand_topic is not None and re.search(r"\{(level|type)\}", self.stand_topic):
            raise ValueError("stand_topic stays the same while an alert changes: no {level} and no {type} in it")
        return self

    @property
    def alone(self) -> bool:
        """Whether a message of it carries one event."""
        return _KEYS[self.kind].alone

    def secret_files(self) -> tuple[Path, ...]:
        """Return the files that hold its secrets; none where it has none, or where the store has it."""
        key = _KEYS[self.kind].secret
        given = getattr(self, key) if key is not None else None
        return () if given is None else (given,) if isinstance(given, Path) else tuple(given)

    def lacks_secret_file(self) -> str | None:
        """Return the key of the secret file that a destination of the settings needs and does not name."""
        needs = self.kind != "mqtt" or self.username is not None
        return _KEYS[self.kind].secret if needs and not self.secret_files() else None

    def group(self) -> timedelta | None:
        """Return what happens in how long a time makes one message; None: each event is one."""
        return None if self.alone else self.group_within if self.group_within is not None else GROUP_WITHIN


def _listed(keys: _Keys) -> str:
    must = [*keys.needed, *((keys.secret,) if keys.secret is not None else ())]
    return " and ".join(sorted(must)) + (f", perhaps {', '.join(keys.may)}" if keys.may else "")


class CircleSection(Section):
    """All stations within a distance of a place."""

    at: str = Field(description='The middle: "60.20,11.10", or the code of a station whose place is known.')
    radius_nm: Annotated[float, Field(gt=0, le=5400)] | None = Field(None, description="Nautical miles.")
    radius_km: Annotated[float, Field(gt=0, le=10000)] | None = Field(None, description="Kilometres.")

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if (self.radius_nm is None) is (self.radius_km is None):
            raise ValueError("a circle has radius_nm or radius_km, one of them")
        if STATION_CODE.fullmatch(self.at) is None:
            place(self.at)
        return self

    def middle(self) -> tuple[float, float] | None:
        """Return latitude and longitude in degrees; None where a station stands in the middle."""
        return None if STATION_CODE.fullmatch(self.at) is not None else place(self.at)

    def kilometres(self) -> float:
        """Return the radius in kilometres."""
        return self.radius_km if self.radius_km is not None else (self.radius_nm or 0) * KILOMETRES_PER_NAUTICAL_MILE


class SubscriptionSection(Section):
    """Who wants what. Stations, countries and circles add up; without any of them every watched station is meant."""

    name: Name = Field(description="Its name.")
    stations: Literal["all"] | tuple[Code, ...] | None = Field(None, description='Station codes, or "all".')
    countries: tuple[Country, ...] = Field((), description="ISO 3166 codes such as NO: all their stations.")
    circles: tuple[CircleSection, ...] = Field((), description='Such as {at = "60.20,11.10", radius_nm = 60}.')
    flags: tuple[FlagWord, ...] = Field(("all",), min_length=1, description='Flags, or "all".')
    min_level: LevelWord = Field("prepare", description="The lowest level that opens a message.")
    to: tuple[Name, ...] = Field(min_length=1, description="Names of destinations.")
    hours: str | None = Field(None, description="Local wall time such as 18:00-09:00; left out: always.")
    quiet: str | None = Field(None, description="Local wall time without messages, inside hours, such as 23:00-04:30.")
    zone: Zone | None = Field(None, description="Time zone of hours, quiet and digest.")
    no_time_ignores_hours: bool = Field(True, description="Tell no-time, and that it is over, at any hour.")
    digest: tuple[str, ...] = Field((), description='Local times of a list of all open alerts: ["18:00", "04:30"].')
    only_digest: bool = Field(False, description="Nothing but the digest.")
    remind_every: Duration | None = Field(
        None, description="Tell again so often, up to five times, what nobody has taken in hand; left out: never."
    )
    paused: bool = Field(False, description="Open nothing for now; what was told before is still told its end.")

    @model_validator(mode="after")
    def _whole(self) -> Self:
        for key in ("hours", "quiet"):
            text = getattr(self, key)
            if text is not None and _HOURS.fullmatch(text) is None:
                raise ValueError(f'{key} "{text}" are not such as 18:00-09:00')
        for text in self.digest:
            if WALL_TIME.fullmatch(text) is None:
                raise ValueError(f'digest "{text}" is no local time such as 04:30')
        timed = self.hours is not None or self.quiet is not None or bool(self.digest)
        if timed is not (self.zone is not None):
            raise ValueError("zone belongs to hours, quiet or digest, and they to it; write one such as Europe/Oslo")
        if self.stations == "all" and (self.countries or self.circles):
            raise ValueError('stations = "all" is every station already; leave it out, or countries and circles')
        if self.only_digest and not self.digest:
            raise ValueError("only_digest needs digest times")
        if self.remind_every is not None and not timedelta(minutes=1) <= self.remind_every <= timedelta(days=1):
            raise ValueError("remind_every is from 1m to 1d")
        return self

    def wanted_hours(self) -> Hours | None:
        """Return the hours in which messages are wanted; None: always."""
        return _span(self.hours, self.zone)

    def quiet_hours(self) -> Hours | None:
        """Return the hours without messages; None: there are none."""
        return _span(self.quiet, self.zone)

    def digest_times(self) -> tuple[time, ...]:
        """Return the wall times of the digest, in order."""
        return tuple(sorted({time.fromisoformat(text) for text in self.digest}))

    def level(self) -> Level:
        """Return the lowest level as a value."""
        return Level.of(self.min_level)

    def wanted_flags(self) -> frozenset[Flag] | None:
        """Return the flags; None: all."""
        return None if "all" in self.flags else frozenset(Flag(word) for word in self.flags)


def _span(text: str | None, zone: str | None) -> Hours | None:
    if text is None or zone is None:
        return None
    begin, _, end = text.partition("-")
    return Hours(time.fromisoformat(begin), time.fromisoformat(end), zone)
