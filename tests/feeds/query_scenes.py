"""What the tests of the query feed share: invented reports, faults of some stations, and feeds of a local API."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from random import Random

from tests.feeds.station_api import Fault, StationApi
from tests.net.loopback import ok
from watcher.feeds.budget import Budgets
from watcher.feeds.model import Fetched
from watcher.feeds.query import QueryFeed
from watcher.net import HttpClients

NOW = datetime(2026, 1, 12, 6, 0, tzinfo=UTC)
XNOR = "METAR XNOR 120550Z 04007KT 0900 SN OVC006 M03/M04 Q1017"
XBAY = "SPECI XBAY 120548Z 15006KT 3000 FZDZ BR OVC006 M01/M02 Q1011"
XFEL = "METAR XFEL 120555Z 12004KT 9999 OVC020 02/01 Q1005"
TAF = "TAF XNOR 120500Z 1206/1306 04007KT 4000 -SN OVC010"
FIVE = ["XBAY", "XFEL", "XMOR", "XNOR", "XTAR"]
PAGE = ok(b"<!DOCTYPE html><html><body>Maintenance</body></html>", "Content-Type: text/html")


def after(minutes: float) -> datetime:
    return NOW + timedelta(minutes=minutes)


def only(fault: bytes, *stations: str) -> Fault:
    """A fault of the requests that ask for one of these stations."""
    return lambda asked: fault if set(stations) & set(asked.ids) else None


class Made:
    """Makes feeds of the API; raw only, unless JSON is wanted too."""

    def __init__(self, api: StationApi, http: HttpClients) -> None:
        self.api, self.http = api, http

    def __call__(self, stations=("XNOR", "XBAY"), *, json=False, budget=10, **changed) -> QueryFeed:
        urls = {"metar_url": self.api.url("metar"), "taf_url": self.api.url("taf")}
        if json:
            urls |= {"json_metar_url": self.api.url("metar", "json"), "json_taf_url": self.api.url("taf", "json")}
        values = {"pause_s": 0.0, "timeout_s": 0.5, **urls, **changed}
        return QueryFeed("few", self.http, Budgets(Random(1), per_minute=budget), stations, **values)


def texts(fetched: Fetched) -> list[str]:
    return [report.text for report in fetched.reports]
