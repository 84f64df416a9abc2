"""Names that nobody answers for: they hold up neither the store's threads nor the end of the process."""

from __future__ import annotations

import asyncio
import socket
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from watcher.net.lookups import MOST_AT_ONCE, Lookups, own_name, system_resolver

pytestmark = pytest.mark.anyio

ROOT = Path(__file__).parents[2]
HANGS = """
import asyncio, socket, time
from watcher.net.lookups import system_resolver
socket.getaddrinfo = lambda *_, **__: time.sleep(60)
async def main():
    try:
        async with asyncio.timeout(0.2):
            await system_resolver("hangs.example.org", 443)
    except TimeoutError:
        print("given up", flush=True)
asyncio.run(main())
"""


class Hanging:
    """A resolver that answers nobody before `answer` is set."""

    def __init__(self) -> None:
        self.answer = threading.Event()
        self.asked: list[str] = []
        self.at_once = self.most_at_once = 0
        self._lock = threading.Lock()

    def __call__(self, host: str, port: int, **_: Any) -> list[Any]:
        with self._lock:
            self.asked.append(host)
            self.at_once += 1
            self.most_at_once = max(self.most_at_once, self.at_once)
        self.answer.wait(30)
        with self._lock:
            self.at_once -= 1
        return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", ("192.0.2.7", port))]


@pytest.fixture
def hanging(monkeypatch: pytest.MonkeyPatch) -> Hanging:
    made = Hanging()
    monkeypatch.setattr(socket, "getaddrinfo", made)
    return made


async def until(condition: Callable[[], object]) -> None:
    async with asyncio.timeout(20):
        while not condition():
            await asyncio.sleep(0.01)


async def test_names_that_hang_leave_the_other_threads_alone(hanging: Hanging) -> None:
    more = MOST_AT_ONCE + 8
    asking = [asyncio.create_task(system_resolver(f"host{n}.example.org", 443)) for n in range(more)]
    try:
        await until(lambda: hanging.at_once == MOST_AT_ONCE)
        async with asyncio.timeout(10):
            assert await asyncio.to_thread(lambda: "answered") == "answered"
            assert await system_resolver("192.0.2.1", 443) == ("192.0.2.1",)
            assert await system_resolver("2001:db8::1", 443) == ("2001:db8::1",)
    finally:
        hanging.answer.set()
        found = await asyncio.gather(*asking)
    assert found == [("192.0.2.7",)] * more
    assert hanging.most_at_once == MOST_AT_ONCE
    assert len(hanging.asked) == more


async def test_what_nobody_waits_for_any_more_is_not_asked() -> None:
    hanging, lookups = Hanging(), Lookups(1)
    first, second, third = (
        asyncio.create_task(lookups.ask(lambda name=name: hanging(name, 443)))  # type: ignore[misc]
        for name in ("first", "second", "third")
    )
    await until(lambda: hanging.asked)
    second.cancel()
    await asyncio.wait([second])
    hanging.answer.set()
    await asyncio.gather(first, third)
    assert hanging.asked == ["first", "third"]


async def test_what_the_resolver_says_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    def says_no(*_: object, **__: object) -> list[Any]:
        raise socket.gaierror(-2, "Name or service not known")

    monkeypatch.setattr(socket, "getaddrinfo", says_no)
    monkeypatch.setattr(socket, "getfqdn", lambda: "watch.example.org")
    with pytest.raises(socket.gaierror, match="Name or service not known"):
        await system_resolver("nobody.example.org", 443)
    assert await own_name() == "watch.example.org"


def test_a_process_ends_though_a_name_hangs() -> None:
    found = subprocess.run(
        [sys.executable, "-c", HANGS], cwd=ROOT, capture_output=True, text=True, timeout=40, check=True
    )
    assert (found.stdout, found.stderr) == ("given up\n", "")
