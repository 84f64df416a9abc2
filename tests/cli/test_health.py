"""`hoarline health` says what the port says, and is what a container asks."""

from __future__ import annotations

import asyncio
import json
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Thread

import pytest

from tests.cli.spoken import hoarline
from watcher.service.health import HealthServer, Probes, Readiness


@contextmanager
def a_port(alive: str | None = None, problems: tuple[str, ...] = ()) -> Iterator[int]:
    """A real health port, beside commands that block."""

    async def ready() -> Readiness:
        return Readiness(problems, {})

    loop = asyncio.new_event_loop()
    running = Thread(target=loop.run_forever)
    running.start()
    server = HealthServer("127.0.0.1:0", Probes(lambda: alive, ready, lambda: b"", "text/plain"))
    asyncio.run_coroutine_threadsafe(server.__aenter__(), loop).result(10)
    try:
        yield server.port
    finally:
        asyncio.run_coroutine_threadsafe(server.__aexit__(None, None, None), loop).result(10)
        loop.call_soon_threadsafe(loop.stop)
        running.join()
        loop.close()


@pytest.fixture
def config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    path = tmp_path / "hoarline.toml"
    path.write_text("")
    return str(path)


def asked(config: str, port: int, monkeypatch: pytest.MonkeyPatch, *more: str, host: str = "127.0.0.1"):
    monkeypatch.setenv("HOARLINE_HEALTH__BIND", f"{host}:{port}")
    return hoarline("health", "--config", config, *more)


def test_a_service_that_does_its_job(config, monkeypatch):
    with a_port() as port:
        said = asked(config, port, monkeypatch)
        assert (said.code, said.out) == (0, "alive, and does its job\n")
        assert asked(config, port, monkeypatch, "--alive").out == "alive\n"
        assert asked(config, port, monkeypatch, host="0.0.0.0").code == 0
        answer = json.loads(asked(config, port, monkeypatch, "--json").out)
        assert answer == {"alive": True, "ready": True, "problems": []}


def test_one_that_lives_and_does_not(config, monkeypatch):
    with a_port(problems=("no feed brings fresh METARs",)) as port:
        said = asked(config, port, monkeypatch)
        assert (said.code, said.lines) == (1, ["alive, but does not do its job", "  no feed brings fresh METARs"])
        assert asked(config, port, monkeypatch, "--alive").code == 0, "a restart would not bring reports"


def test_one_that_stands_still(config, monkeypatch):
    with a_port(alive="no turn has been committed since 0550Z") as port:
        said = asked(config, port, monkeypatch, "--alive")
        assert (said.code, said.lines) == (1, ["not alive", "  no turn has been committed since 0550Z"])


def test_nobody_there(config, monkeypatch):
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    said = asked(config, port, monkeypatch)
    assert said.code == 1
    assert "nobody answers there" in said.err
