"""The service as a process of its own that takes its turns when it is told to, with a clock that is set from outside."""

from __future__ import annotations

import asyncio
import mmap
import os
import struct
import sys
from collections.abc import Mapping
from contextlib import AsyncExitStack
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from multiprocessing.connection import Connection
from pathlib import Path
from random import Random
from types import MappingProxyType, TracebackType
from typing import Self

import psutil

from tests.faults.by_hand import BEGAN, first_questions
from tests.faults.served import CONTEXT, end_with_parent
from watcher.service.service import Service
from watcher.settings import load_settings
from watcher.telemetry import set_up_logs

_MICROSECONDS = struct.Struct("=q")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class SharedClock:
    """The present as whoever drives set it last, for all processes that open the same file."""

    def __init__(self, file: Path) -> None:
        if not file.exists():
            file.write_bytes(bytes(_MICROSECONDS.size))
        with file.open("r+b") as opened:
            self._memory = mmap.mmap(opened.fileno(), _MICROSECONDS.size)

    def __call__(self) -> datetime:
        """Return the time."""
        return _EPOCH + timedelta(microseconds=_MICROSECONDS.unpack(self._memory[:])[0])

    def set(self, now: datetime) -> None:
        """Let it be this time everywhere."""
        self._memory[:] = _MICROSECONDS.pack((now - _EPOCH) // timedelta(microseconds=1))


@dataclass(frozen=True, slots=True)
class _How:
    """What the process is made from."""

    settings: Path
    environ: Mapping[str, str]
    clock: Path
    log: Path


class Driven:
    """A service in a process of its own, from its start to its end in order."""

    def __init__(
        self, settings: Path, url: str, clock: Path, log: Path, environ: Mapping[str, str] = MappingProxyType({})
    ) -> None:
        how = _How(settings, {"HOARLINE_STORE__URL": url, **environ}, clock, log)
        self._here, there = CONTEXT.Pipe()
        self._process = CONTEXT.Process(target=_serve, args=(how, there), daemon=True)

    async def __aenter__(self) -> Self:
        self._process.start()
        assert await asyncio.to_thread(self._here.recv) == "begun"
        self._memory = psutil.Process(self._process.pid)
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self._asked("end")
        await asyncio.to_thread(self._process.join)

    async def turn(self) -> None:
        """Ask the feeds, judge that time has passed, and look at the outbox."""
        await self._asked("turn")

    async def hour(self) -> None:
        """Do what the schedule does each hour."""
        await self._asked("hour")

    async def wake(self) -> None:
        """Look at the outbox."""
        await self._asked("wake")

    @property
    def memory_mib(self) -> float:
        """Resident memory of the process."""
        return float(self._memory.memory_info().rss) / 2**20

    async def _asked(self, what: str) -> None:
        self._here.send(what)
        answer = await asyncio.to_thread(self._here.recv)
        if answer != what:
            raise RuntimeError(f"{what}: {answer}")


def _serve(how: _How, there: Connection) -> None:
    file = os.open(how.log, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    for stream in (sys.stdout, sys.stderr):
        os.dup2(file, stream.fileno())
    set_up_logs("text")
    end_with_parent()
    asyncio.run(_run(how, there))


async def _run(how: _How, there: Connection) -> None:
    async with AsyncExitStack() as stack:
        service = Service(load_settings(how.settings, how.environ), clock=SharedClock(how.clock), random=Random(1))
        await stack.enter_async_context(service)
        await first_questions(service)
        there.send("begun")
        while (what := await asyncio.to_thread(there.recv)) != "end":
            try:
                if what == "turn":
                    for feed in service.poller._feeds:
                        await service.poller.poll(feed, "metar")
                    await service.keeper.tick()
                elif what == "hour":
                    await service.duties.thin()
                service.sender.wake()
            except Exception as error:
                there.send(repr(error))
            else:
                there.send(what)
    there.send("end")


def new_clock(folder: Path) -> Path:
    """Make a clock that stands at the beginning, and return its file."""
    file = folder / "clock"
    SharedClock(file).set(BEGAN)
    return file
