"""A thousand programs listen to the live events of one service, which has a process of its own. Prints one JSON object.

How much memory they cost, and how long each event takes from its commit until each of them has it; what ordinary pages
are asked meanwhile is measured, too. `--clients`, `--events`, `--together` (events in one commit) say otherwise.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import json
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path

import httpx
import psutil

from tests.benchmarks.machine import machine
from tests.store.scenes import NOW, a_change, an_event
from tests.web.scenes import house_around
from watcher.alerts.changes import Changes
from watcher.alerts.model import Event, EventBody
from watcher.rulebook.words import Flag, Kind, Level
from watcher.store.store import Store
from watcher.telemetry import set_up_logs
from watcher.web.app import build_app
from watcher.web.house import Hear
from watcher.web.server import WebServer
from watcher.web.tokens import new_token, token_hash

_TOKENS = 5
# The texts are as long as those of a real event.
_WHY = "Weather FZDZ is one of FZDZ, FZRA; temperature -2 °C is 2 °C below 0 °C; the report is 4 minutes old."
_RAW = "METAR XNOR 120550Z 00000KT 3000 FZDZ BR OVC006 M02/M03 Q1010 NOSIG"


def happened(number: int) -> Event:
    event = an_event(f"XNOR-{number}")
    headline = f"XNOR treat: freezing rain or freezing drizzle since 0550Z, -2/-3, not ended ({number})"
    body = EventBody(
        *("XNOR", "Northby", "Europe/Oslo", headline, _WHY, "Call treatment for departures now."),
        flag=Flag.FREEZING_PRECIPITATION,
        level=Level.TREAT,
        kind=Kind.OBSERVED,
        begins_at=NOW,
        observed_at=NOW,
        raw=_RAW,
    )
    return Event(event.subject_kind, event.subject_id, 1, event.type, NOW, body)


async def serve(folder: Path, together: int) -> None:
    """Serve, and commit events whenever a line comes in; say when each commit was done."""
    store = Store.open(f"sqlite:///{folder / 'live.db'}")
    hearers: list[Hear] = []
    house = house_around(store, after_turn=hearers.append)
    told = committed = 0

    def commit() -> float:
        events = tuple(happened(told + number) for number in range(1, together + 1))
        store.commit(Changes(NOW, (a_change(version=committed, events=events),)))
        return time.monotonic()

    async with WebServer(build_app(house), "127.0.0.1:0") as server:
        print(server.port, flush=True)
        while await asyncio.to_thread(sys.stdin.readline):
            at = await asyncio.to_thread(commit)
            for hear in hearers:
                hear()
            told, committed = told + together, committed + 1
            print(json.dumps({"first": told - together + 1, "last": told, "at": at}), flush=True)
    store.close()


@dataclass
class Client(asyncio.Protocol):
    """Reads its stream and notes when each event came; no more than that, so that the clients cost little."""

    request: bytes
    came: dict[int, float] = field(default_factory=dict)
    number: int = 0
    twice: int = 0
    rest: bytes = b""
    open: asyncio.Event = field(default_factory=asyncio.Event)
    over: bool = False

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        transport.write(self.request)

    def connection_lost(self, error: Exception | None) -> None:
        self.over = True

    def data_received(self, data: bytes) -> None:
        now = time.monotonic()
        *lines, self.rest = (self.rest + data).split(b"\n")
        for line in lines:
            if line.startswith(b"id: "):
                self.number = int(line[4:])
                self.open.set()
            elif line.startswith(b"event: icing"):
                self.twice += self.number in self.came
                self.came[self.number] = now


async def connected(port: int, tokens: list[str], count: int) -> list[Client]:
    loop = asyncio.get_running_loop()
    clients = []
    for number in range(count):
        head = f"GET /api/v1/events/stream HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer {tokens[number % len(tokens)]}"
        _, client = await loop.create_connection(
            lambda head=head: Client(f"{head}\r\n\r\n".encode()), "127.0.0.1", port
        )
        clients.append(client)
        if number % 50 == 49:
            await clients[-1].open.wait()
    async with asyncio.timeout(60):
        for client in clients:
            await client.open.wait()
    return clients


async def ask_pages(port: int, spans: list[float]) -> None:
    async with httpx.AsyncClient() as asking:
        while True:
            begun = time.monotonic()
            (await asking.get(f"http://127.0.0.1:{port}/enter")).raise_for_status()
            spans.append(time.monotonic() - begun)
            await asyncio.sleep(0.02)


@contextmanager
def quick() -> Iterator[None]:
    gc.collect()
    gc.disable()
    try:
        yield
    finally:
        gc.enable()


async def measure(count: int, commits: int, together: int) -> dict[str, object]:
    with tempfile.TemporaryDirectory() as folder:
        store = Store.open(f"sqlite:///{Path(folder) / 'live.db'}")
        tokens = [new_token() for _ in range(_TOKENS)]
        for number, token in enumerate(tokens):
            store.add_token(f"desk {number}", token_hash(token), ["read"], NOW + timedelta(days=1), NOW)
        store.close()
        child = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "tests.benchmarks.live", "--serve", folder, "--together", str(together)),
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
        )
        try:
            return await _measured(child, tokens, count, commits, together)
        finally:
            child.stdin.close()
            await child.wait()


async def _measured(
    child: asyncio.subprocess.Process, tokens: list[str], count: int, commits: int, together: int
) -> dict[str, object]:
    port = int(await child.stdout.readline())
    process = psutil.Process(child.pid)
    await connected(port, tokens, 1)
    before = process.memory_info().rss
    begun = time.monotonic()
    clients = await connected(port, tokens, count)
    connecting = time.monotonic() - begun
    held = process.memory_info().rss
    busy = process.cpu_times()
    spans: list[float] = []
    pages: list[float] = []
    asking = asyncio.create_task(ask_pages(port, pages))
    with quick():
        for _ in range(commits):
            child.stdin.write(b"more\n")
            said = json.loads(await child.stdout.readline())
            async with asyncio.timeout(30):
                while not all(said["last"] in client.came for client in clients):
                    await asyncio.sleep(0.01)
            for number in range(said["first"], said["last"] + 1):
                spans.extend(client.came[number] - said["at"] for client in clients)
    used = process.cpu_times()
    asking.cancel()
    after = process.memory_info().rss
    spans.sort()
    wanted = set(range(1, commits * together + 1))
    return {
        "clients": count,
        "events": commits * together,
        "events_in_a_commit": together,
        "got_every_event_once": sum(set(one.came) == wanted and not one.twice and not one.over for one in clients),
        "server_before_mib": round(before / 2**20, 1),
        "more_with_all_clients_mib": round((held - before) / 2**20, 1),
        "more_after_all_events_mib": round((after - before) / 2**20, 1),
        "kib_for_a_client": round((held - before) / 1024 / count, 1),
        "connecting_s": round(connecting, 2),
        "median_ms": round(statistics.median(spans) * 1000, 1),
        "p99_ms": round(spans[int(len(spans) * 0.99) - 1] * 1000, 1),
        "worst_ms": round(spans[-1] * 1000, 1),
        "server_us_for_a_line": round((sum(used[:2]) - sum(busy[:2])) / len(spans) * 1e6, 1),
        "page_median_ms": round(statistics.median(pages) * 1000, 1),
        "page_worst_ms": round(max(pages) * 1000, 1),
        **machine(),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--serve", type=Path)
    parser.add_argument("--clients", type=int, default=1000)
    parser.add_argument("--commits", type=int, default=50)
    parser.add_argument("--together", type=int, default=1)
    asked = parser.parse_args()
    set_up_logs("quiet")
    if asked.serve:
        asyncio.run(serve(asked.serve, asked.together))
    else:
        print(json.dumps(asyncio.run(measure(asked.clients, asked.commits, asked.together))))


if __name__ == "__main__":
    main()
