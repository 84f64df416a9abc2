"""Whoever started the service hears that it runs, and hears no more when it stands still: sd_notify(3)."""

from __future__ import annotations

import asyncio
import os
import signal
import socket
import sys
from contextlib import contextmanager

import pytest

from tests.service.night_watch import surroundings
from watcher.service.supervision import Supervision

pytestmark = pytest.mark.anyio


@contextmanager
def a_listener(name: str):
    """A datagram socket, as the one who starts services has it; `name` with @ is an abstract one."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind("\0" + name[1:] if name.startswith("@") else name)
        heard.setblocking(False)
        yield heard


async def next_of(heard: socket.socket, within_s: float = 5) -> str:
    async with asyncio.timeout(within_s):
        return (await asyncio.get_running_loop().sock_recv(heard, 200)).decode()


async def silence(heard: socket.socket) -> None:
    """Return when nothing has come for two seconds; fail where that does not happen within twenty."""
    async with asyncio.timeout(20):
        while True:
            try:
                await next_of(heard, 2)
            except TimeoutError:
                return


@pytest.fixture(params=["path", "abstract"])
def name(request, tmp_path) -> str:
    return str(tmp_path / "notify") if request.param == "path" else f"@hoarline-test-{os.getpid()}"


async def test_it_says_that_it_runs_and_then_that_it_lives(name):
    with a_listener(name) as heard:
        async with Supervision(lambda: None, {"NOTIFY_SOCKET": name, "WATCHDOG_USEC": "40000"}):
            assert [await next_of(heard) for _ in range(4)] == ["READY=1", "WATCHDOG=1", "WATCHDOG=1", "WATCHDOG=1"]


async def test_one_that_stands_still_says_nothing(name):
    reasons = [None, "no turn has been committed since 0550Z"]
    asked = asyncio.Event()

    def alive() -> str | None:
        if len(reasons) == 1:
            asked.set()
        return reasons.pop(0) if len(reasons) > 1 else reasons[0]

    with a_listener(name) as heard:
        async with Supervision(alive, {"NOTIFY_SOCKET": name, "WATCHDOG_USEC": "20000"}):
            assert [await next_of(heard), await next_of(heard)] == ["READY=1", "WATCHDOG=1"]
            await asked.wait()
            with pytest.raises(BlockingIOError):
                heard.recv(200)


@pytest.mark.parametrize("environ", [{}, {"NOTIFY_SOCKET": ""}, {"WATCHDOG_USEC": "20000"}])
async def test_where_nobody_listens_nothing_is_told(environ):
    async with Supervision(lambda: None, environ) as supervision:
        assert supervision._beating is None


async def test_a_listener_that_is_gone_stops_nothing(tmp_path):
    async with Supervision(lambda: None, {"NOTIFY_SOCKET": str(tmp_path / "gone"), "WATCHDOG_USEC": "junk"}):
        pass


@pytest.mark.slow
async def test_the_real_service_is_heard_when_all_of_it_has_started_and_stopped_when_frozen(tmp_path):
    name = str(tmp_path / "notify")
    async with surroundings(tmp_path, ["XNOR"]) as around:
        with a_listener(name) as heard:
            process = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "watcher.cli", "run", "--config", str(around.settings),
                stderr=asyncio.subprocess.DEVNULL,
                env=os.environ | {"NOTIFY_SOCKET": name, "WATCHDOG_USEC": "400000"},
            )  # fmt: skip
            try:
                assert await next_of(heard, 60) == "READY=1"
                assert await next_of(heard) == "WATCHDOG=1"
                process.send_signal(signal.SIGSTOP)
                await silence(heard)
            finally:
                process.send_signal(signal.SIGCONT)
                process.terminate()
                assert await process.wait() == 0
