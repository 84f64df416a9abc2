"""No room for the store: it is said, nothing is lost, and it goes on by itself when there is room again.

A limit on the size of a process's files, set from outside while it runs (Linux: prlimit), refuses a write as a full disk
does, and needs neither a mount nor rights.
"""

from __future__ import annotations

import asyncio
import json
import os
import resource
import socket
import time
from collections.abc import Callable, Sequence
from datetime import timedelta
from pathlib import Path

import pytest

from tests.faults.by_hand import until
from tests.faults.recorder import Recorder, findings, kept_at
from tests.faults.served import FastClock, start
from tests.faults.weather import codes, metar
from tests.service.night_watch import Surroundings, surroundings
from watcher.demo.feed_files import MetarRow, TafRow
from watcher.service.service import ROLES
from watcher.store.store import Store

pytestmark = [pytest.mark.anyio, pytest.mark.slow, pytest.mark.timeout(100)]

STATIONS = list(codes(12))
SPEED = 20
FULL = 4096


def a_free_port() -> int:
    with socket.socket() as asked:
        asked.bind(("127.0.0.1", 0))
        port: int = asked.getsockname()[1]
        return port


def publish(around: Surroundings, recorder: Recorder, rows: list[MetarRow], stations: Sequence[str]) -> None:
    now = recorder.clock()
    for station in stations:
        rows.append(MetarRow.of(metar(station, now, "FZRA"), now))
        recorder.publish(station, rows[-1].observed_at, rows[-1].text)
    issued = now - timedelta(minutes=20)
    valid = f"{issued:%d%H}/{issued + timedelta(hours=24):%d%H}"
    taf = f"TAF {STATIONS[0]} {issued:%d%H%M}Z {valid} 00000KT 9999 SCT030"
    around.feed.publish(rows, [TafRow.of(taf, now)])


def told(recorder: Recorder) -> set[str]:
    return {str(item.event).partition("-")[0] for item in recorder.arrivals if item.taken and item.event}


async def ready(port: int) -> tuple[int, list[str]] | None:
    """Return what the service says of itself; None where it took longer than it gives itself, and hung up."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    try:
        writer.write(b"GET /readyz HTTP/1.1\r\n\r\n")
        await writer.drain()
        head, _, body = (await reader.read()).partition(b"\r\n\r\n")
    finally:
        writer.close()
    return (int(head.split(b" ")[1]), json.loads(body)["problems"]) if head else None


async def until_ready(port: int, wanted: Callable[[int, list[str]], bool]) -> None:
    async with asyncio.timeout(30):
        while (found := await ready(port)) is None or not wanted(*found):
            await asyncio.sleep(0.1)


def said(status: int, problems: Sequence[str]) -> bool:
    """Return whether it is named why nothing is kept. On a slow machine the last turn is long ago before that."""
    return status == 503 and any("reports cannot be kept" in problem for problem in problems)


async def test_a_full_disk_is_said_and_costs_nothing_but_time(sqlite: str, tmp_path: Path) -> None:
    clock, port, rows = FastClock(time.time(), SPEED), a_free_port(), []
    recorder = Recorder(clock)
    Store.open(sqlite).close()
    async with surroundings(tmp_path, STATIONS, every="300ms", clock=clock) as around:
        recorder.listen(around.mail, around.webhook)
        publish(around, recorder, rows, STATIONS[:4])
        environ = {"HOARLINE_HEALTH__BIND": f"127.0.0.1:{port}"}
        process = start(around.settings, sqlite, ROLES, clock, Path(os.devnull), environ)
        try:
            await until(lambda: told(recorder) == set(STATIONS[:4]))
            await until_ready(port, lambda status, _: status == 200)
            assert process.pid is not None
            before = resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (FULL, resource.RLIM_INFINITY))
            publish(around, recorder, rows, STATIONS[4:])
            await until_ready(port, said)
            assert told(recorder) == set(STATIONS[:4]), "nobody hears of what is not written down"
            resource.prlimit(process.pid, resource.RLIMIT_FSIZE, before)
            await until(lambda: told(recorder) == set(STATIONS))
            await until_ready(port, lambda status, _: status == 200)
            await until(lambda: all(line["state"] == "sent" for line in kept_at(sqlite).lines))
        finally:
            process.kill()
            await asyncio.to_thread(process.join)
    assert findings(kept_at(sqlite), recorder) == []
