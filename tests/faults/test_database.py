"""The database taken away: the leader's connections cut, the server stopped in order and by a crash, while reports come."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from random import Random

import psycopg
import pytest

from tests.databases import Cluster
from tests.faults.recorder import Recorder, findings, kept_at
from tests.faults.served import FastClock
from tests.faults.weather import codes, metar
from tests.service.night_watch import Surroundings, surroundings
from watcher.demo.feed_files import MetarRow
from watcher.service.service import Service
from watcher.settings import load_settings

pytestmark = [pytest.mark.anyio, pytest.mark.slow, pytest.mark.timeout(120)]

STATIONS = list(codes(12))
EARLY, LATE = STATIONS[:4], STATIONS[4:]
# Fast enough that a lease of two minutes runs out in some seconds.
SPEED = 20
TAKE_OVER_WITHIN_S = 10.0
# What was claimed and not read yet when its connection was cut waits six seconds for the end of its lease.
TELL_WITHIN_S = 20.0


@dataclass
class Watch:
    """Two processes' worth of service side by side at one database, with everything around them."""

    url: str
    around: Surroundings
    recorder: Recorder
    services: tuple[Service, ...]
    rows: dict[str, MetarRow]

    def publish(self, stations: Sequence[str]) -> None:
        now = self.recorder.clock()
        for station in stations:
            text = metar(station, now, "FZRA")
            self.rows[station] = MetarRow.of(text, now)
            self.recorder.publish(station, self.rows[station].observed_at, text)
        self.around.feed.publish(list(self.rows.values()), ())

    @property
    def told(self) -> set[str]:
        """The stations of which the room has heard."""
        events = (item.event for item in self.recorder.arrivals if item.taken)
        return {name.partition("-")[0] for name in events if name is not None}

    def leader(self) -> Service | None:
        leading = [service for service in self.services if service.leading]
        assert len(leading) <= 1 or len({service.leading.term for service in leading}) == len(leading)
        return leading[0] if len(leading) == 1 else None


@asynccontextmanager
async def watching(url: str, folder: Path) -> AsyncIterator[Watch]:
    clock = FastClock(time.time(), SPEED)
    async with surroundings(folder, STATIONS, every="300ms", clock=clock) as around, AsyncExitStack() as stack:
        recorder = Recorder(clock)
        recorder.listen(around.mail, around.webhook)
        settings = load_settings(around.settings, {"HOARLINE_STORE__URL": url})
        services = tuple(
            Service(settings, clock=clock, random=Random(number), roles=("poller", "sender")) for number in range(2)
        )
        watch = Watch(url, around, recorder, services, {})
        watch.publish(EARLY)
        for service in services:
            await stack.enter_async_context(service)
        await until(lambda: watch.told == set(EARLY))
        yield watch


async def until(condition: Callable[[], bool], seconds: float = 30) -> float:
    """Wait, and return for how many seconds."""
    began = time.monotonic()
    async with asyncio.timeout(seconds):
        while not condition():
            await asyncio.sleep(0.02)
    return time.monotonic() - began


async def sent_in_the_end(watch: Watch) -> None:
    """Wait until nothing is owed any more, and look whether anything went wrong."""
    store = watch.services[0].store
    async with asyncio.timeout(30):
        while True:
            counts = await asyncio.to_thread(store.outbox_counts)
            if not counts["pending"] and not counts["leased"]:
                break
            await asyncio.sleep(0.1)
    assert findings(kept_at(watch.url), watch.recorder) == []


def cut(server: Cluster, url: str, which: str) -> int:
    """End connections to one database from the server's side; return how many."""
    name = url.partition("?")[0].rpartition("/")[2]
    with server.connect() as connection:
        found = connection.execute(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = %s AND pid <> pg_backend_pid()"
            + (" AND pid IN (SELECT pid FROM pg_locks WHERE locktype = 'advisory')" if which == "lock" else ""),
            (name,),
        ).fetchall()
    return len(found)


@pytest.mark.parametrize("which", ["lock", "all"])
async def test_a_cut_connection_costs_seconds_and_nothing_else(
    server: Cluster, postgresql: str, tmp_path: Path, which: str
) -> None:
    async with watching(postgresql, tmp_path) as watch:
        first = watch.leader()
        assert first is not None
        term = first.leading.term
        assert term is not None
        watch.publish(LATE)
        assert await asyncio.to_thread(cut, server, postgresql, which) >= 1
        taken = await until(lambda: any((service.leading.term or 0) > term for service in watch.services))
        told = await until(lambda: watch.told == set(STATIONS))
        print(f"another term after {taken:.1f} s, everything told after {taken + told:.1f} s")
        assert taken <= TAKE_OVER_WITHIN_S
        assert told <= TELL_WITHIN_S
        await until(lambda: watch.leader() is not None)
        await sent_in_the_end(watch)


@pytest.mark.parametrize("mode", ["fast", "immediate"])
async def test_a_database_that_restarts_is_waited_for(
    server: Cluster, postgresql: str, tmp_path: Path, mode: str
) -> None:
    async with watching(postgresql, tmp_path) as watch:
        watch.publish(LATE[:4])
        await asyncio.to_thread(server.stop, mode)
        try:
            await until(lambda: not any(service.leading for service in watch.services))
            watch.publish(LATE[4:])
            ready = await watch.services[0].ready()
            assert any("the store does not answer" in problem for problem in ready.problems)
        finally:
            await asyncio.to_thread(server.start)
        taken = await until(lambda: watch.leader() is not None)
        told = await until(lambda: watch.told == set(STATIONS))
        print(f"another term after {taken:.1f} s, everything told after {taken + told:.1f} s")
        assert taken <= TAKE_OVER_WITHIN_S
        assert told <= TELL_WITHIN_S
        await sent_in_the_end(watch)


def test_the_cut_itself_cuts(server: Cluster, postgresql: str) -> None:
    name = postgresql.partition("?")[0].rpartition("/")[2]
    with server.connect(name) as connection:
        assert cut(server, postgresql, "all") == 1
        with pytest.raises(psycopg.OperationalError):
            connection.execute("SELECT 1")
