"""The health port, asked by a real client over a real connection."""

from __future__ import annotations

import asyncio
import json

import pytest

from watcher.service.health import HealthServer, Probes, Readiness
from watcher.telemetry import METRICS, Metrics

pytestmark = pytest.mark.anyio


async def ask(port: int, request: str) -> tuple[int, str, bytes]:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(request.encode())
    await writer.drain()
    answer = await reader.read()
    writer.close()
    head, _, body = answer.partition(b"\r\n\r\n")
    return int(head.split(b" ")[1]), head.decode(), body


def probes(problems=(), alive=None) -> Probes:
    metrics = Metrics()
    metrics.count("hoarline_turns", outcome="committed")

    async def ready():
        return Readiness(tuple(problems), {"last_turn_at": None})

    return Probes(lambda: alive, ready, metrics.exposition, metrics.content_type)


async def test_alive_ready_and_metrics():
    async with HealthServer("127.0.0.1:0", probes()) as health:
        assert (await ask(health.port, "GET /livez HTTP/1.1\r\n\r\n"))[0] == 200
        status, _, body = await ask(health.port, "GET /readyz HTTP/1.1\r\n\r\n")
        assert (status, json.loads(body)["ready"]) == (200, True)
        status, head, body = await ask(health.port, "GET /metrics HTTP/1.1\r\n\r\n")
        assert "application/openmetrics-text" in head
        assert b'hoarline_turns_total{outcome="committed"} 1.0' in body
        assert body.endswith(b"# EOF\n")


async def test_trouble_is_told_in_plain_words():
    async with HealthServer("127.0.0.1:0", probes(["the store does not answer"], "no turn since 0500Z")) as health:
        status, _, body = await ask(health.port, "GET /readyz HTTP/1.1\r\n\r\n")
        assert (status, json.loads(body)["problems"]) == (503, ["the store does not answer"])
        assert (await ask(health.port, "GET /livez HTTP/1.1\r\n\r\n"))[0] == 503


@pytest.mark.parametrize(
    ("request_text", "status"),
    [("GET /other HTTP/1.1\r\n\r\n", 404), ("POST /livez HTTP/1.1\r\n\r\n", 405), ("nonsense\r\n\r\n", 400)],
)
async def test_anything_else_is_refused(request_text, status):
    async with HealthServer("127.0.0.1:0", probes()) as health:
        assert (await ask(health.port, request_text))[0] == status


async def test_an_endless_request_is_cut_off():
    async with HealthServer("127.0.0.1:0", probes()) as health:
        reader, writer = await asyncio.open_connection("127.0.0.1", health.port)
        writer.write(b"GET /livez HTTP/1.1\r\n" + b"X: y\r\n" * 5000)
        assert await reader.read() == b""
        writer.close()


def test_every_metric_has_a_meaning_and_can_be_used():
    metrics = Metrics()
    for spec in METRICS:
        labels = dict.fromkeys(spec.labels, "x")
        use = {"counter": metrics.count, "gauge": metrics.set, "histogram": metrics.observe}[spec.type]
        use(spec.name, 1.0, **labels)
        assert spec.meaning
    text = metrics.exposition().decode()
    assert all(spec.name in text for spec in METRICS)
