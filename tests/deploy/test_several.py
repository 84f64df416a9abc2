"""The way from one machine to several, walked: a service on SQLite, its move to PostgreSQL, and the processes of compose.yaml."""

from __future__ import annotations

import asyncio
import os
import signal
import socket
import sys
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from datetime import timedelta
from pathlib import Path

import httpx
import pytest
import yaml

from tests.databases import Cluster, cluster, postgres_is_here
from tests.service.night_watch import surroundings
from watcher.clock import utc_now

pytestmark = [pytest.mark.anyio, pytest.mark.slow, pytest.mark.timeout(300)]
SERVICES = yaml.safe_load((Path(__file__).parents[2] / "deploy" / "compose.yaml").read_text())["services"]


@pytest.fixture(scope="module")
def server() -> Iterator[Cluster]:
    if not postgres_is_here():
        pytest.skip("there is no PostgreSQL here")
    with cluster() as started:
        yield started


def free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return free.getsockname()[1]


def words_of(name: str, settings: Path) -> list[str]:
    """Return the command of a service in compose.yaml, with the settings of this test."""
    words = [str(word) for word in SERVICES[name]["command"]]
    words[words.index("--config") + 1] = str(settings)
    return words


async def done(*words: str, env: dict[str, str]) -> str:
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "watcher.cli", *words, env=env, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT
    )  # fmt: skip
    out, _ = await asyncio.wait_for(process.communicate(), 60)
    assert process.returncode == 0, out.decode()
    return out.decode()


class Running:
    """A process of the service, and the port that tells how it is."""

    def __init__(self, process: asyncio.subprocess.Process, port: int) -> None:
        self.process = process
        self.port = port

    async def metrics(self) -> str:
        async with httpx.AsyncClient(trust_env=False, timeout=10) as client:
            try:
                return (await client.get(f"http://127.0.0.1:{self.port}/metrics")).text
            except httpx.HTTPError:
                return ""

    async def leads(self) -> bool:
        return "\nhoarline_leader 1.0" in await self.metrics()


@asynccontextmanager
async def started(words: list[str], env: dict[str, str]) -> AsyncIterator[Running]:
    port = free_port()
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "watcher.cli", *words,
        env=env | {"HOARLINE_HEALTH__BIND": f"127.0.0.1:{port}"}, stderr=asyncio.subprocess.DEVNULL,
    )  # fmt: skip
    try:
        yield Running(process, port)
    finally:
        if process.returncode is None:
            process.send_signal(signal.SIGCONT)
            process.terminate()
        await asyncio.wait_for(process.wait(), 60)


async def until(happens, within_s: float = 60) -> None:
    async with asyncio.timeout(within_s):
        while not await happens():
            await asyncio.sleep(0.1)


def report(weather: str, minutes_ago: int) -> str:
    observed = utc_now() - timedelta(minutes=minutes_ago)
    return f"XNOR {observed:%d%H%M}Z 00000KT 3000 {weather} OVC006 M02/M03 Q1010"


async def test_a_service_moves_to_postgresql_and_goes_on_there_with_several_processes(tmp_path, server):
    page = free_port()
    with server.database() as url:
        async with surroundings(tmp_path, ["XNOR"], every="500ms") as around:
            arrived = around.webhook.posts
            told = lambda: [post.payload["type"] for post in arrived]  # noqa: E731
            around.publish([report("-FZDZ", 40)], utc_now())
            async with started(["run", "--config", str(around.settings)], dict(os.environ)):
                await until(lambda: asyncio.sleep(0, bool(arrived)))
            assert told() == ["icing.episode.opened"]

            env = os.environ | {"HOARLINE_STORE__URL": url}
            await done("db", "copy", f"sqlite:///{tmp_path / 'hoarline.db'}", url, env=env)
            await done(*words_of("upgrade", around.settings), env=env)
            node, web = words_of("node", around.settings), words_of("web", around.settings)
            async with (
                started(node, env) as first,
                started(node, env) as second,
                started(web, env | {"HOARLINE_WEB__BIND": f"127.0.0.1:{page}"}),
            ):
                leads = lambda: asyncio.gather(first.leads(), second.leads())  # noqa: E731
                await until(lambda: one_of(leads()))
                around.publish([report("FZRA", 5)], utc_now())
                await until(lambda: asyncio.sleep(0, len(arrived) > 1))
                assert told()[:2] == ["icing.episode.opened", "icing.episode.raised"], "what was told is known there"

                leader, other = (first, second) if (await leads())[0] else (second, first)
                leader.process.kill()
                await until(other.leads)
                before = len(arrived)
                around.publish([report("+FZRA", 1)], utc_now())
                token = (await done("token", "add", "desk", "--config", str(around.settings), env=env)).splitlines()[0]
                bearer = {"Authorization": f"Bearer {token}"}
                async with httpx.AsyncClient(trust_env=False, timeout=10, headers=bearer) as client:

                    async def shown() -> bool:
                        answer = await client.get(f"http://127.0.0.1:{page}/api/v1/stations/XNOR/reports")
                        return answer.status_code == 200 and "+FZRA" in answer.text

                    await until(shown)
                assert all(post.verified for post in arrived)
                assert around.webhook.duplicates == 0
                assert len(arrived) >= before


async def one_of(leading) -> bool:
    return sorted(await leading) == [False, True]
