"""The whole service, told by a broker: from a publication to a webhook, and nothing is lost by what stops meanwhile."""

from __future__ import annotations

import asyncio
from datetime import timedelta
from pathlib import Path
from random import Random

import pytest

from tests.feeds.wis2_scenes import METAR_TOPIC, notification, publish, publisher
from tests.notify.mosquitto import mosquitto
from tests.service.night_watch import surroundings
from tests.service.test_service import until
from watcher.clock import utc_now
from watcher.errors import StoreError
from watcher.service.service import Service
from watcher.settings import load_settings

pytestmark = pytest.mark.anyio


def told(port: int) -> str:
    """A feed that is asked by itself once an hour: what is judged sooner is judged because it called."""
    return f"""
[[feed]]
name = "told"
kind = "wis2"
brokers = ["mqtt://127.0.0.1:{port}"]
client_id = "hoarline-of-the-tests"
metar_every = "1h"
taf_every = "1h"
"""


def bulletin(code: str, weather: str) -> bytes:
    observed = utc_now() - timedelta(minutes=5)
    return f"METAR {code} {observed:%d%H%M}Z 00000KT 3000 {weather} OVC006 M02/M03 Q1010=\n".encode()


async def test_a_publication_becomes_an_alert_without_waiting_for_the_next_poll(tmp_path: Path) -> None:
    with mosquitto(tmp_path) as served, publisher(served.port) as client:
        async with (
            surroundings(tmp_path, ["XNOR"], more=told(served.port)) as around,
            Service(load_settings(around.settings, {}), random=Random(1)) as service,
        ):
            await until(lambda: "told" in service.poller.health["metar"])
            message = notification(bulletin("XNOR", "-FZDZ"), published_at=utc_now())
            await asyncio.to_thread(publish, client, message, METAR_TOPIC)
            await until(lambda: around.webhook.posts)
            ready = await service.ready()
            state = ready.values["feeds"]["told metar"]["state"]  # type: ignore[index]
            assert state.startswith("connected since")
            assert "last message" in state
            metrics = service.metrics.exposition()
            assert b'hoarline_feed_messages_total{feed="told",outcome="taken"} 1.0' in metrics
            assert b'hoarline_feed_lag_seconds{feed="told"}' in metrics


async def test_what_a_full_disk_kept_from_being_judged_comes_again_after_a_restart(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with mosquitto(tmp_path) as served, publisher(served.port) as client:
        async with surroundings(tmp_path, ["XNOR"], more=told(served.port)) as around:
            settings = load_settings(around.settings, {})
            async with Service(settings, random=Random(1)) as service:
                await until(lambda: "told" in service.poller.health["metar"])
                failed = []

                async def fail(_reports: object) -> None:
                    failed.append(1)
                    raise StoreError("no space left")

                monkeypatch.setattr(service.poller, "_keep", fail)
                message = notification(bulletin("XNOR", "-FZDZ"), published_at=utc_now())
                await asyncio.to_thread(publish, client, message, METAR_TOPIC)
                await until(lambda: any("told" in name for name, _ in service.poller._unkept))
            assert failed
            assert around.webhook.posts == []
            async with Service(settings, random=Random(1)):
                await until(lambda: around.webhook.posts)
            assert len(around.webhook.posts) == 1
