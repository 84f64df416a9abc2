"""A store with invented alerts, and a real web server over it on loopback."""

from __future__ import annotations

import tempfile
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import httpx

from watcher.alerts.changes import Changes, StationChange
from watcher.alerts.model import (
    Episode,
    Event,
    EventBody,
    EventType,
    Phase,
    StationState,
    StationView,
    SubjectKind,
    Taken,
)
from watcher.links import LinkMaker
from watcher.reports.station import Station
from watcher.rulebook.words import Certainty, Flag, Kind, Level, NoTime
from watcher.service.cycle import Watch
from watcher.service.health import Readiness
from watcher.service.manage import Management
from watcher.service.planning import Treatments, load_treatments, rules_folder_of
from watcher.service.treatment_files import load_procedures
from watcher.service.watched import build_watch
from watcher.settings.load import Settings, load_settings
from watcher.store.store import Store
from watcher.treatment.kinds import Place
from watcher.treatment.procedures import Procedure
from watcher.web.app import build_app
from watcher.web.house import House, protections_of
from watcher.web.server import WebServer
from watcher.web.tokens import new_token, token_hash

NOW = datetime(2026, 1, 12, 6, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
KEY = bytes(range(32))

DRIZZLE = Episode(
    station="XNOR",
    number=1,
    flag=Flag.FREEZING_PRECIPITATION,
    kind=Kind.OBSERVED,
    level=Level.TREAT,
    phase=Phase.PRESENT,
    began_at=NOW - 10 * MINUTE,
    changed_at=NOW - 10 * MINUTE,
    opened_at=NOW - 10 * MINUTE,
    seq=1,
)
DRIZZLE_BODY = EventBody(
    station="XNOR",
    name="Northby",
    zone="Europe/Oslo",
    headline="XNOR treat: freezing rain or freezing drizzle since 0550Z, -2/-3, not ended",
    why="Weather FZDZ is one of FZDZ, FZRA; temperature -2 °C is 2 °C below 0 °C.",
    next_step="Call treatment for departures now and plan it close to take-off.",
    flag=Flag.FREEZING_PRECIPITATION,
    level=Level.TREAT,
    kind=Kind.OBSERVED,
    phase=Phase.PRESENT,
    begins_at=NOW - 10 * MINUTE,
    observed_at=NOW - 10 * MINUTE,
    raw="METAR XNOR 120550Z 00000KT 3000 FZDZ BR OVC006 M02/M03 Q1010",
)


def said(episode: Episode, body: EventBody, type_: EventType = EventType.OPENED) -> Event:
    """Return the newest event of an episode."""
    return Event(SubjectKind.EPISODE, episode.id, episode.seq, type_, episode.changed_at, body)


def put(store: Store, episode: Episode, body: EventBody = DRIZZLE_BODY, version: int = 0, **made: Any) -> None:
    """Keep one episode as it stands, with its newest event."""
    view = StationView(Station(episode.station), StationState(episode.station, version=version + 1))
    change = StationChange(
        episode.station, version, view, episodes=(episode,), events=(said(episode, body, **made),) if body else ()
    )
    store.commit(Changes(episode.changed_at, (change,)))


def taken_by(name: str, level: Level = Level.TREAT, note: str = "") -> Taken:
    return Taken(by=name, note=note, at=NOW - 5 * MINUTE, level=level, seq=2)


def ended(episode: Episode = DRIZZLE) -> Episode:
    return replace(episode, phase=Phase.ENDED, ended_at=NOW + 24 * MINUTE, changed_at=NOW + 24 * MINUTE)


def fill(store: Store) -> None:
    """Keep one alert of each kind that a page has to show."""
    put(store, DRIZZLE)
    second = replace(DRIZZLE, number=2, taken=taken_by("Ramp lead, north stand", note="Truck 3 from 0630Z"))
    put(store, second, version=1)
    worse = replace(
        DRIZZLE, station="XBAY", level=Level.NO_TIME, no_time=NoTime.NONE, taken=taken_by("duty-desk", Level.TREAT)
    )
    worse_body = replace(
        DRIZZLE_BODY,
        station="XBAY",
        name="Southbay",
        headline="XBAY no-time (was treat): heavy freezing drizzle since 0550Z, -1/-2, not ended",
        level=Level.NO_TIME,
        no_time=NoTime.NONE,
        previous_level=Level.TREAT,
        next_step="Plan no take-off on the tables until this ends; tell crews and passengers.",
    )
    put(store, worse, worse_body)
    over = replace(ended(), station="XFEL")
    over_body = replace(
        DRIZZLE_BODY,
        station="XFEL",
        headline="XFEL ended: freezing rain or freezing drizzle, since 0550Z, settled 0624Z",
        next_step="Aircraft treated or parked before this stay in need of a check: a deposit outlives its weather.",
    )
    put(store, over, over_body, type_=EventType.CLOSED)
    ahead = replace(
        DRIZZLE,
        station="XMOR",
        kind=Kind.EXPECTED,
        level=Level.PREPARE,
        certainty=Certainty.PROBABILITY_40_TEMPORARY,
        began_at=NOW + 120 * MINUTE,
        until=NOW + 360 * MINUTE,
    )
    ahead_body = replace(
        DRIZZLE_BODY,
        station="XMOR",
        name=None,
        headline="XMOR prepare expected: snow 0800Z-1200Z, probability 40 %, temporary",
        why="The TAF gives SN from 0800Z until 1200Z.",
        level=Level.PREPARE,
        kind=Kind.EXPECTED,
        certainty=Certainty.PROBABILITY_40_TEMPORARY,
        begins_at=NOW + 120 * MINUTE,
        until=NOW + 360 * MINUTE,
        next_step="Arrange crews, fluid and a treatment slot for departures in this period.",
        forecast_raw="TAF XMOR 120500Z 1206/1306 24008KT 9999 BKN012 PROB40 TEMPO 1208/1212 2000 SN BKN006",
    )
    put(store, ahead, ahead_body)


@dataclass
class Site:
    """A served application, and who asks it."""

    store: Store
    links: LinkMaker
    client: httpx.AsyncClient
    origin: str
    news: list[str] = field(default_factory=list)

    async def press(self, link: str, **fields: str) -> httpx.Response:
        """Post a form as the browser does from its own page."""
        return await self.client.post(link, data=fields, headers={"Origin": self.origin})

    def token(self, *scopes: str, name: str = "desk", expires_at: datetime = NOW + timedelta(days=1)) -> dict[str, str]:
        """Return the header of a program with a fresh token."""
        token = new_token()
        self.store.add_token(name, token_hash(token), scopes, expires_at, NOW)
        return {"Authorization": f"Bearer {token}"}


@cache
def settings_of(text: str = "") -> Settings:
    """Return settings of a file with this text. They never change, so that one reading serves all tests."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "hoarline.toml"
        path.write_text(text)
        return load_settings(path, {})


def house_around(store: Any, settings: Settings | None = None, *, now: datetime = NOW, **parts: Any) -> House:
    """Return what pages are made from, around a store: no station is judged, nobody hears of turns."""
    settings = settings or settings_of()
    watch, treatments, procedures = _parts_of(settings)
    house = House(
        store=store,
        settings=settings,
        watch=watch,
        key_now=lambda: KEY,
        clock=lambda: now,
        views=dict,
        after_turn=lambda _hear: None,
        news=lambda: None,
        ready=_ready,
        management=Management(settings, store, watch.stations.get),
        protections=protections_of(store, watch),
        treatments=treatments,
        procedures=procedures,
    )
    return replace(house, **parts)


_READ: list[tuple[Settings, tuple[Watch, Treatments, Mapping[Place, Procedure]]]] = []


def _parts_of(settings: Settings) -> tuple[Watch, Treatments, Mapping[Place, Procedure]]:
    """Return rules, stations, tables and procedures of some settings; reading them takes most of a second."""
    found = next((parts for known, parts in _READ if known is settings), None)
    if found is None:
        folder, watch = rules_folder_of(settings), build_watch(settings)
        found = watch, load_treatments(folder, tables=watch.tables), load_procedures(folder)
        _READ.append((settings, found))
    return found


async def _ready() -> Readiness:
    return Readiness((), {})


@asynccontextmanager
async def served(store: Any, *, public_url: str | None = None, now: datetime = NOW) -> AsyncIterator[Site]:
    """Serve a store; links begin with the address that is really open."""
    news: list[str] = []
    settings = settings_of(f'[service]\npublic_url = "{public_url}"\n' if public_url is not None else "")
    house = house_around(store, settings, now=now, news=lambda: news.append("news"))
    async with WebServer(build_app(house), "127.0.0.1:0") as server, httpx.AsyncClient(timeout=10) as client:
        origin = f"http://127.0.0.1:{server.port}"
        yield Site(store, LinkMaker(origin, KEY), client, origin, news)


class Swapped:
    """Passes every question on to a store that can be exchanged, so that one server serves many tests."""

    def __init__(self) -> None:
        self.store: Any = None

    def __getattr__(self, name: str) -> Any:
        return getattr(self.store, name)


def bare(link: str) -> str:
    """Return the token of a link."""
    return urlsplit(link).path.rpartition("/")[2]
