"""A whole service in this process, whose clock moves only when a test moves it."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random

from tests.faults.recorder import Recorder, findings, kept_at
from tests.faults.weather import metar
from tests.service.night_watch import Surroundings, surroundings
from watcher.demo.feed_files import MetarRow
from watcher.service.service import Service
from watcher.settings import load_settings

BEGAN = datetime(2026, 1, 12, 3, 0, tzinfo=UTC)
# Settings that a test has otherwise.
ENVIRON: dict[str, str] = {}


@dataclass
class HandClock:
    """The present, as it was set last."""

    now: datetime = BEGAN

    def __call__(self) -> datetime:
        """Return the time."""
        return self.now


@dataclass
class Morning:
    """The service, what is around it and what was seen of both."""

    url: str
    clock: HandClock
    around: Surroundings
    recorder: Recorder
    service: Service
    rows: dict[str, MetarRow] = field(default_factory=dict)
    hidden: list[tuple[str, datetime, str]] = field(default_factory=list)

    def offer(self, weather: Mapping[str, str], *, reaches: bool = True, more: str = "") -> None:
        """Put reports into the feed's file; what the feed's fault keeps back counts as published when it is over."""
        for station, falls in weather.items():
            text = metar(station, self.clock.now, falls, more)
            row = self.rows[station] = MetarRow.of(text, self.clock.now)
            self.hidden.append((station, row.observed_at, text))
        self.around.feed.publish(list(self.rows.values()), ())
        if reaches:
            self.reveal()

    def reveal(self) -> None:
        """The file as it stands can be had from now on; what was replaced in it meanwhile was never seen."""
        newest = {station: (station, at, text) for station, at, text in self.hidden}
        for item in newest.values():
            self.recorder.publish(*item)
        self.hidden.clear()

    async def turn(self, minutes: float = 0) -> None:
        """Move the clock, ask the feeds, judge."""
        self.clock.now += timedelta(minutes=minutes)
        for feed in self.service.poller._feeds:
            await self.service.poller.poll(feed, "metar")
        await self.service.keeper.tick()

    async def all_is_sent(self, seconds: float = 20) -> None:
        """Wait until nothing is owed."""
        async with asyncio.timeout(seconds):
            while True:
                counts = await asyncio.to_thread(self.service.store.outbox_counts)
                if not counts["pending"] and not counts["leased"]:
                    return
                await asyncio.sleep(0.02)

    def kinds(self, destination: str = "room") -> list[str]:
        """Return what a destination was told, in order."""
        lines = [line for line in kept_at(self.url).lines if line["destination"] == destination]
        return [f"{line['subject_id']} {line['told_as'].rpartition('.')[2]}" for line in lines]

    def findings(self, destinations: Sequence[str] = ("desk", "room")) -> list[str]:
        """Return what went wrong."""
        return findings(kept_at(self.url), self.recorder, destinations)


@asynccontextmanager
async def morning(
    url: str, folder: Path, stations: Sequence[str], more: str = "", of_room: str = ""
) -> AsyncIterator[Morning]:
    """Run a service that asks and judges when `Morning.turn` says so. `of_room`: more settings of its webhook."""
    clock = HandClock()
    async with surroundings(folder, stations, every="1h", clock=clock, more=more, of_room=of_room) as around:
        recorder = Recorder(clock)
        recorder.listen(around.mail, around.webhook)
        settings = load_settings(around.settings, {"HOARLINE_STORE__URL": url, **ENVIRON})
        async with Service(settings, clock=clock, random=Random(1)) as service:
            await first_questions(service)
            yield Morning(url, clock, around, recorder, service)


async def first_questions(service: Service) -> None:
    """Wait until what the schedule asks by itself at the start is answered, and kept."""
    await until(lambda: service.leading and not service.duties._soon)


async def until(condition: Callable[[], object], seconds: float = 30) -> float:
    """Wait, and return for how many seconds."""
    began = time.monotonic()
    async with asyncio.timeout(seconds):
        while not condition():
            await asyncio.sleep(0.02)
    return time.monotonic() - began
