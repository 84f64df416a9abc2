"""A query feed from the settings file to a verdict: as a user writes it, through the whole service."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from random import Random

import pytest

from tests.feeds.station_api import StationApi
from watcher.clock import utc_now
from watcher.demo.feed_server import FeedServer
from watcher.errors import SettingsError
from watcher.feeds.query import QueryFeed
from watcher.net import Guard, HttpClients
from watcher.service.feeds import build_feeds
from watcher.service.service import Service
from watcher.settings import Settings, load_settings

GOOD = """
[watch]
stations = ["XNOR", "XBAY"]
[[feed]]
name = "few"
kind = "query"
metar_url = "https://weather.example.org/api/data/metar?ids={ids}&format=raw"
taf_url = "https://weather.example.org/api/data/taf?ids={ids}&format=raw"
json_metar_url = "https://weather.example.org/api/data/metar?ids={ids}&format=json"
metar_every = "2m"
"""


def load(folder: Path, text: str = GOOD) -> Settings:
    file = folder / "hoarline.toml"
    file.write_text(text)
    return load_settings(file, {})


async def until(condition: Callable[[], object]) -> None:
    async with asyncio.timeout(20):
        while not condition():
            await asyncio.sleep(0.01)


@pytest.mark.anyio
async def test_the_settings_make_a_query_feed_of_the_watched_stations(tmp_path: Path) -> None:
    settings = load(tmp_path)
    async with HttpClients(Guard()) as http:
        (feed,) = build_feeds(settings, http, Random(1))
    assert isinstance(feed, QueryFeed)
    assert (feed.name, set(feed.brings), feed.over_network) == ("few", {"metar", "taf"}, True)
    section = settings.text.feed[0]
    assert (section.metar_every, section.taf_every, section.at_once) == (
        timedelta(minutes=2),
        timedelta(minutes=10),
        100,
    )


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("metar?ids={ids}&format=raw", "metar?ids=XNOR", ["metar_url needs {ids}", "such as https://"]),
        ("metar?ids={ids}&format=raw", "metar?ids={ids}&hours={hours}", ['metar_url: "{hours}" is not known', "{ids}"]),
        ("taf?ids={ids}", "taf?ids={id}", ['taf_url: "{id}" is not known']),
        ("metar?ids={ids}&format=json", "metar?ids={}", ['json_metar_url: "{}" is not known']),
        ("metar?ids={ids}&format=raw", "metar?ids={ids", ['"{ids" is not known']),
        ("metar?ids={ids}&format=raw", "metar?ids=ids}", ['"}" is not known']),
        ("metar?ids={ids}&format=raw", "metar#{ids}", ["metar_url needs {ids}"]),
        ("https://weather.example.org/api/data/metar?ids={ids}&format=raw", "https://{ids}.example.org/", ["not in the host"]),
        ("taf_url", "json_taf_url", ["json_taf_url stands in for taf_url, which is missing"]),
        ('kind = "query"', 'kind = "bulk"', ["a bulk feed has no json_metar_url"]),
        ('kind = "query"', 'kind = "querry"', ["did you mean query?"]),
        ('metar_every = "2m"', "at_once = 0", ["at_once", "greater than or equal to 1"]),
        ('metar_every = "2m"', "at_once = 401", ["at_once", "less than or equal to 400"]),
        ('["XNOR", "XBAY"]', '"all"', ['feed "few"', "asks for stations by their codes", "name them in [watch] stations"]),
        ('["XNOR", "XBAY"]', "[]", ['feed "few"', "bulk feed"]),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_with_what_is_right(tmp_path: Path, old: str, new: str, words: list[str]) -> None:
    assert old in GOOD
    with pytest.raises(SettingsError) as caught:
        load(tmp_path, GOOD.replace(old, new, 1))
    (problem,) = map(str, caught.value.problems)
    assert "hoarline.toml" in problem
    assert all(word in problem for word in words), problem


def test_a_query_feed_needs_at_least_one_address(tmp_path: Path) -> None:
    lines = [line for line in GOOD.splitlines() if "_url" not in line]
    with pytest.raises(SettingsError, match="a query feed needs metar_url, taf_url or both"):
        load(tmp_path, "\n".join(lines))


def check(folder: Path) -> dict[str, list[str]]:
    done = subprocess.run(
        [sys.executable, "-m", "watcher.cli", "check", "--json"],
        cwd=folder,
        capture_output=True,
        check=False,
        timeout=60,
    )
    return json.loads(done.stdout)


def test_check_asks_the_guard_about_all_addresses_and_says_when_a_list_is_too_long(tmp_path: Path) -> None:
    stations = json.dumps([f"X{number:03d}" for number in range(26)])
    text = GOOD.replace('["XNOR", "XBAY"]', stations).replace("https://weather.example.org", "http://127.0.0.1:9")
    load(tmp_path, text + "at_once = 5\n")
    told = check(tmp_path)
    assert [problem.split(":")[0] for problem in told["problems"]] == [
        'feed "few" METAR',
        'feed "few" TAF',
        'feed "few" METAR as JSON',
    ]
    (note,) = [note for note in told["notes"] if "query" in note or "bulk" in note]
    assert note.startswith(
        'feed "few": 26 stations at 5 at once are more than 5 requests: each is asked for every 2 times'
    )
    load(tmp_path, text + "at_once = 6\n")
    assert not [note for note in check(tmp_path)["notes"] if "at once" in note]


@pytest.mark.anyio
async def test_a_query_feed_stands_in_for_a_bulk_feed_and_opens_an_episode(tmp_path: Path) -> None:
    observed = utc_now() - timedelta(minutes=5)
    report = f"METAR XNOR {observed:%d%H%M}Z 00000KT 3000 -FZDZ OVC006 M02/M03 Q1010"
    async with StationApi({"XNOR": [report]}) as api, FeedServer() as server:
        server.fault = "page"
        settings = load(
            tmp_path,
            f"""
[store]
url = "sqlite:///{tmp_path / "hoarline.db"}"
[watch]
stations = ["XNOR"]
[[feed]]
name = "world"
kind = "bulk"
metar_url = "{server.metar_url}"
metar_every = "300ms"
[[feed]]
name = "few"
kind = "query"
metar_url = "{api.url()}"
metar_every = "300ms"
[network]
allow_private = ["127.0.0.0/8"]
[health]
bind = "127.0.0.1:0"
[service]
contact = "duty@example.org"
""",
        )
        async with Service(settings, random=Random(1)) as service:
            await until(lambda: service.store.episodes(open_only=True))
            (episode,) = {item.station for item in service.store.episodes(open_only=True)}
            health = service.poller.health["metar"]
    assert episode == "XNOR"
    assert health["world"].consecutive_failures > 0
    assert health["few"].newest_at is not None
    assert all(asked.ids == ("XNOR",) for asked in api.asked)
