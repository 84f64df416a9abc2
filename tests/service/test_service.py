"""The service as a whole: real feed in, alert out by mail and webhook, health told in plain words."""

from __future__ import annotations

import asyncio
import json
import sys
from datetime import timedelta
from random import Random

import pytest

from tests.service.night_watch import SECRET, surroundings
from tests.service.test_health import ask
from watcher.alerts.model import EventType
from watcher.clock import utc_now
from watcher.feeds.bulk import BulkFeed
from watcher.feeds.model import RawReport
from watcher.service.first_answers import FirstAnswers
from watcher.service.receiving import report_of
from watcher.service.service import Service
from watcher.settings import load_settings

pytestmark = pytest.mark.anyio


async def until(condition, seconds=20) -> None:
    async with asyncio.timeout(seconds):
        while not condition():
            await asyncio.sleep(0.01)


def text(code: str, weather: str, minutes_ago: int) -> str:
    observed = utc_now() - timedelta(minutes=minutes_ago)
    return f"{code} {observed:%d%H%M}Z 00000KT 3000 {weather} OVC006 M02/M03 Q1010".replace("  ", " ")


def taf(code: str) -> str:
    issued = utc_now() - timedelta(minutes=20)
    return f"TAF {code} {issued:%d%H%M}Z {issued:%d%H}/{issued + timedelta(hours=24):%d%H} 00000KT 9999 SCT030"


async def test_a_report_in_the_feed_becomes_a_mail_and_a_signed_webhook(tmp_path):
    async with surroundings(tmp_path, ["XNOR"]) as around:
        around.publish([text("XNOR", "-FZDZ", 5)], utc_now(), [taf("XNOR")])
        async with Service(load_settings(around.settings, {}), random=Random(1)) as service:
            await until(lambda: around.mail.mails and around.webhook.posts and service.poller.health["taf"])
            (post,) = around.webhook.posts
            assert post.verified
            assert post.payload["type"] == "icing.episode.opened"
            assert post.payload["data"]["station"] == "XNOR"
            assert post.payload["data"]["report_age_min"] >= 5
            assert "XNOR treat" in around.mail.mails[0]["Subject"]
            status, _, body = await ask(service.health.port, "GET /readyz HTTP/1.1\r\n\r\n")
            assert (status, json.loads(body)["problems"]) == (200, [])
            _, _, metrics = await ask(service.health.port, "GET /metrics HTTP/1.1\r\n\r\n")
            assert b'hoarline_reports_total{feed="world",outcome="read"} 2.0' in metrics
            assert SECRET.removeprefix("whsec_").encode() not in metrics


async def test_a_look_at_a_station_reads_the_store_of_the_running_service(tmp_path):
    async with surroundings(tmp_path, ["XNOR"]) as around:
        around.publish([text("XNOR", "-FZDZ", 5)], utc_now(), [taf("XNOR")])
        async with Service(load_settings(around.settings, {}), random=Random(1)) as service:
            await until(lambda: around.webhook.posts and service.poller.health["taf"])
            now = utc_now()
            await service.keeper.keep([report_of(RawReport("XNOR 999999Z CAVOK"), "world", now)])
            process = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "watcher.cli", "now", "XNOR", "XBAY", "--config", str(around.settings), "--json",
                stdout=asyncio.subprocess.PIPE,
            )  # fmt: skip
            told, _ = await process.communicate()
    seen, unseen = (json.loads(line) for line in told.decode().splitlines())
    assert (seen["station"], seen["level"]) == ("XNOR", "treat")
    assert seen["forecast_raw"].startswith("TAF XNOR")
    assert [text["raw"] for text in seen["unreadable"]] == ["XNOR 999999Z CAVOK"], "kept, and shown"
    assert (unseen["station"], unseen["level"], unseen["facts"]) == ("XBAY", None, {})


async def test_a_feed_that_fails_is_told_by_readiness_and_comes_back(tmp_path):
    async with surroundings(tmp_path, ["XNOR"]) as around:
        around.publish([text("XNOR", "BR", 5)], utc_now())
        around.feed.fault = "page"
        async with Service(load_settings(around.settings, {}), random=Random(1)) as service:
            await until(lambda: service.poller.health["metar"])
            ready = await service.ready()
            assert any("no feed brings fresh METARs" in problem for problem in ready.problems)
            assert service.poller.health["metar"]["world"].consecutive_failures >= 1


async def test_a_restart_sends_nothing_twice(tmp_path):
    async with surroundings(tmp_path, ["XNOR"]) as around:
        around.publish([text("XNOR", "-FZDZ", 5)], utc_now())
        for _ in range(3):
            async with Service(load_settings(around.settings, {}), random=Random(1)) as service:
                await until(lambda: around.webhook.posts)
                await service.schedule.run_now("metar world")
        assert len(around.webhook.posts) == 1
        assert len(around.mail.mails) == 1


async def test_a_receiver_that_is_down_gets_its_message_when_it_is_back(tmp_path):
    async with surroundings(tmp_path, ["XNOR"]) as around:
        around.publish([text("XNOR", "-FZDZ", 5)], utc_now())
        around.webhook.status = 500
        settings = load_settings(around.settings, {})
        async with Service(settings, random=Random(1)) as service:
            await until(lambda: around.webhook.posts)
            around.webhook.status = 200
            counts = service.store.outbox_counts()
            await until(lambda: len(around.webhook.posts) >= 2, seconds=30)
            assert counts["dead"] == 0
        assert len({post.id for post in around.webhook.posts}) == 1, "the same id through all attempts"


async def test_a_start_after_hours_hears_what_came_before_it_calls_anybody_silent(tmp_path, monkeypatch):
    """The first answer takes longer than the first tick and the first TAFs: they wait for it."""
    fetch, now = BulkFeed.fetch, [utc_now()]

    async def slowly(feed, what, **asked):
        if what == "metar":
            await asyncio.sleep(1.5)
        return await fetch(feed, what, **asked)

    monkeypatch.setattr(BulkFeed, "fetch", slowly)
    async with surroundings(tmp_path, ["XNOR"], clock=lambda: now[0]) as around:
        around.publish([text("XNOR", "BR", 5)], now[0], [taf("XNOR")])
        settings = load_settings(around.settings, {})
        async with Service(settings, clock=lambda: now[0], random=Random(1)) as service:
            await until(lambda: service.views["XNOR"].latest)
        now[0] += timedelta(hours=3)
        around.publish([text("XNOR", "BR", -175)], now[0])
        async with Service(settings, clock=lambda: now[0], random=Random(1)) as service:
            await until(lambda: service.keeper.last_turn_at)
            assert service.poller.reports_received
            assert EventType.BLIND not in {event.type for _, event in service.store.events_after(0, 99)}


async def test_a_feed_that_never_answers_keeps_nobody_from_calling_stations_silent(tmp_path, monkeypatch):
    monkeypatch.setattr(FirstAnswers.__init__, "__defaults__", (0.5,))
    fetch, now = BulkFeed.fetch, [utc_now()]
    async with surroundings(tmp_path, ["XNOR"], clock=lambda: now[0]) as around:
        around.publish([text("XNOR", "BR", 5)], now[0])
        settings = load_settings(around.settings, {})
        async with Service(settings, clock=lambda: now[0], random=Random(1)) as service:
            await until(lambda: service.views["XNOR"].latest)
        now[0] += timedelta(hours=3)

        over = asyncio.Event()

        async def never(feed, what, **asked):
            if what == "metar":
                await over.wait()
            return await fetch(feed, what, **asked)

        monkeypatch.setattr(BulkFeed, "fetch", never)
        async with Service(settings, clock=lambda: now[0], random=Random(1)) as service:
            await until(service.store.blind_stations)
            over.set()
