"""An invented icy morning on the board: real reports and TAFs, judged by the real cycle, served by the real server.

It is 0600Z on 12 January 2026. XFEL: moderate freezing rain, no-time. XNOR: light snow, treated aircraft. XBAY: clear
night, frost on parked aircraft. XMOR: silent since 0420Z, blind. XTAR: mild, nothing open. XLOW: snow expected.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

import httpx

from tests.web.scenes import KEY, MINUTE, NOW, house_around, settings_of
from watcher.alerts.model import StationView
from watcher.links import LinkMaker
from watcher.outlook.night.ensemble import nights
from watcher.outlook.night.model import Night
from watcher.reports.decode import decode_report
from watcher.reports.identity import text_hash
from watcher.reports.model import Report
from watcher.service.cycle import Cycle
from watcher.service.nights import NightPolicy, due_nights
from watcher.store.store import Store
from watcher.web.app import build_app
from watcher.web.house import Hear, House
from watcher.web.server import WebServer
from watcher.web.tokens import new_token, token_hash

STATIONS = """
[[station]]
code = "XNOR"
name = "Northby"
position = "60.20,11.10,210"
zone = "Europe/Oslo"
country = "NO"
[[station]]
code = "XBAY"
name = "Bayhaven"
position = "63.40,10.90,12"
zone = "Europe/Oslo"
country = "NO"
[[station]]
code = "XFEL"
name = "Fellmark"
position = "61.10,13.50,480"
zone = "Europe/Stockholm"
country = "SE"
[[station]]
code = "XMOR"
name = "Moorland"
position = "58.00,13.00,140"
zone = "Europe/Stockholm"
country = "SE"
[[station]]
code = "XTAR"
name = "Tarnside"
position = "54.50,-2.80,66"
zone = "Europe/London"
country = "GB"
[[station]]
code = "XLOW"
name = "Lowmere"
position = "52.30,4.80,-3"
zone = "Europe/Amsterdam"
country = "NL"
"""
CODES = ("XBAY", "XFEL", "XLOW", "XMOR", "XNOR", "XTAR")
SETTINGS = f"""
[watch]
stations = ["XBAY", "XFEL", "XLOW", "XMOR", "XNOR", "XTAR"]
[web]
open_reading = false
[mail]
host = "127.0.0.1"
port = 2525
security = "none"
from = "Hoarline <hoarline@example.org>"
[[destination]]
name = "duty-desk"
kind = "email"
address = "duty@example.org"
[[subscription]]
name = "northern stations"
stations = ["XNOR", "XBAY"]
to = ["duty-desk"]
{STATIONS}
"""
# What the stations report, by hours before 0600Z: text after the time group. The newest stands last.
_REPORTS: dict[str, Callable[[float], str | None]] = {
    "XFEL": lambda ago: (
        "08006KT 4000 FZRA BR OVC008 M02/M03 Q0998"
        if ago <= 1.5
        else f"08005KT 9000 OVC020 M0{1 if ago < 6 else 0}/M03 Q1001"
    ),
    "XNOR": lambda ago: "34004KT 2500 -SN BR OVC010 M04/M05 Q1008" if ago <= 3 else "33003KT 9999 BKN030 M03/M06 Q1010",
    "XBAY": lambda ago: f"00000KT CAVOK {_degrees(-3 + ago / 2)}/{_degrees(-4.4 + ago / 4)} Q1031",
    "XMOR": lambda ago: None if ago < 1.7 else "27008KT 9999 FEW040 01/M01 Q1015",
    "XTAR": lambda ago: f"24012KT 9999 SCT035 0{4 + int(ago) % 3}/02 Q1019",
    "XLOW": lambda ago: "29009KT 9999 BKN025 02/M01 Q1007",
}
_TAFS = {
    "XFEL": "08006KT 4000 FZRA OVC008 TX00/1213Z TNM04/1206Z FM121000 10006KT 9999 OVC015",
    "XNOR": "34004KT 3000 -SN OVC010 TXM02/1213Z TNM06/1306Z TEMPO 1207/1211 1200 SN OVC006",
    "XBAY": "00000KT CAVOK TX03/1213Z TNM05/1206Z",
    "XTAR": "24012KT 9999 SCT035 TX07/1214Z TN03/1306Z",
    "XLOW": "29009KT 9999 BKN025 TX03/1213Z TNM01/1304Z PROB40 TEMPO 1214/1218 1500 SN BKN008",
}


def _degrees(value: float) -> str:
    whole = round(value)
    return f"{'M' if whole < 0 or (whole == 0 and value < 0) else ''}{abs(whole):02d}"


def read_report(text: str, *, received_at: datetime) -> Report:
    """Return a text as a feed brings it."""
    return Report(decode_report(text, received_at=received_at), text_hash(text), "test", received_at)


def report_of(code: str, at: datetime, rest: str, kind: str = "METAR") -> Report:
    """Return a report as a feed brings it five minutes after its time."""
    return read_report(f"{kind} {code} {at:%d%H%MZ} {rest}", received_at=at + 5 * MINUTE)


def reports_until(now: datetime) -> list[tuple[datetime, list[Report]]]:
    """Return what came in during 13 hours, by the time at which it was judged."""
    rounds = []
    for half_hours in range(26, -1, -1):
        at = now - 10 * MINUTE - timedelta(minutes=30) * half_hours
        texts = [(code, rest(half_hours / 2)) for code, rest in _REPORTS.items()]
        rounds.append((at + 5 * MINUTE, [report_of(code, at, text) for code, text in texts if text is not None]))
    issued = now - timedelta(hours=7)
    tafs = [
        read_report(
            f"TAF {code} {issued:%d%H%MZ} {now - timedelta(hours=6):%d%H}/{now + timedelta(hours=24):%d%H} {text}",
            received_at=issued,
        )
        for code, text in _TAFS.items()
    ]
    rounds.append((now, tafs))
    return rounds


@dataclass
class Morning:
    """A board that is open, and what one does to it: report, let time pass."""

    house: House
    cycle: Cycle
    clock: list[datetime]
    client: httpx.AsyncClient
    origin: str
    hearers: list[Hear] = field(default_factory=list)

    @property
    def store(self) -> Store:
        return self.house.store

    @property
    def links(self) -> LinkMaker:
        return LinkMaker(self.origin, KEY)

    def turn(self, reports: Sequence[Report] = (), nights: Mapping[str, Night] | None = None) -> None:
        """Judge, as a turn of the service does, and tell who listens."""
        self.cycle.turn(reports, self.clock[0], nights or {})
        for hear in self.hearers:
            hear()

    def report(self, code: str, rest: str, kind: str = "SPECI") -> None:
        """Let a report come in that is a minute old."""
        self.turn([report_of(code, self.clock[0] - MINUTE, rest, kind)])

    def token(self, *scopes: str, name: str = "desk") -> str:
        """Return a fresh token."""
        token = new_token()
        self.store.add_token(name, token_hash(token), scopes or ("read",), self.clock[0] + timedelta(days=1), NOW)
        return token

    async def sign_in(self, *scopes: str, name: str = "desk") -> None:
        """Sign the client in, as a browser is after the entrance."""
        form = {"token": self.token(*scopes, name=name)}
        answer = await self.client.post(f"{self.origin}/enter", data=form, headers={"Origin": self.origin})
        assert answer.status_code == 303, answer.text

    async def post(self, path: str, **form: object) -> httpx.Response:
        """Post a form from our own page."""
        return await self.client.post(f"{self.origin}{path}", data=form, headers={"Origin": self.origin})


def judged(store: Store, now: datetime = NOW, *, members: int = NightPolicy().members) -> dict[str, Night]:
    """Judge the whole morning into a store; return the frost forecasts, which the store does not keep."""
    cycle = Cycle(store, house_around(store, settings_of(SETTINGS)).watch)
    cycle.load(now - timedelta(hours=14))
    for at, reports in reports_until(now):
        cycle.turn(reports, at)
    found = nights(due_nights(cycle.views, NightPolicy(members=members), now), members=members)
    by_station = {night.station: night for night in found}
    cycle.turn((), now, by_station)
    return by_station


@asynccontextmanager
async def morning(
    store: Store, by_station: Mapping[str, Night], settings_text: str = SETTINGS, now: datetime = NOW
) -> AsyncIterator[Morning]:
    """Open the board on the invented morning, which was judged into this store."""
    settings, clock = settings_of(settings_text), [now]
    hearers: list[Hear] = []
    house = house_around(store, settings, clock=lambda: clock[0], after_turn=hearers.append)
    cycle = Cycle(store, house.watch)
    cycle.load(now)
    cycle.turn((), now, by_station)
    house = replace(house, views=lambda: cycle.views)
    async with WebServer(build_app(house), "127.0.0.1:0") as server, httpx.AsyncClient(timeout=20) as client:
        yield Morning(house, cycle, clock, client, f"http://127.0.0.1:{server.port}", hearers)


def view_of(opened: Morning, code: str) -> StationView:
    """Return a station as it stands."""
    return opened.house.views()[code]
