"""No test waits between the two attempts of one question; and the station API that the query feed is tested against."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator

import pytest
import stamina

from tests.feeds.query_scenes import TAF, XBAY, XFEL, XNOR, Made
from tests.feeds.station_api import StationApi
from watcher.net import Guard, HttpClients


@pytest.fixture(autouse=True)
def _no_pause_between_attempts() -> Iterator[None]:
    with stamina.set_testing(True, attempts=2):
        yield


@pytest.fixture
async def api() -> AsyncIterator[StationApi]:
    async with StationApi({"XNOR": [XNOR], "XBAY": [XBAY], "XFEL": [XFEL]}, {"XNOR": [TAF]}) as api:
        yield api


@pytest.fixture
async def http() -> AsyncIterator[HttpClients]:
    async with HttpClients(Guard(["127.0.0.0/8"]), contact="duty@example.org") as http:
        yield http


@pytest.fixture
def made(api: StationApi, http: HttpClients) -> Made:
    return Made(api, http)
