"""The service as a process of its own that is there to be killed, with a clock that may run faster than the world's."""

from __future__ import annotations

import asyncio
import multiprocessing
import os
import sys
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from multiprocessing import connection
from multiprocessing.process import BaseProcess
from pathlib import Path
from types import MappingProxyType

from watcher.service.service import Role, Service
from watcher.settings import load_settings
from watcher.telemetry import set_up_logs

# Forked from a process that has read the program once: to begin costs a tenth of what a fresh interpreter does, so that
# hundreds can be killed. What dies is a whole process all the same.
CONTEXT = multiprocessing.get_context("forkserver")
CONTEXT.set_forkserver_preload(["__main__", "tests.faults.served", "watcher.rulebook.parse", "psycopg", "alembic"])


# A clock says in the last digits of its seconds whose it is: every time that is kept tells which process wrote it.
MARKS = 10_000


@dataclass(frozen=True, slots=True)
class FastClock:
    """A clock that all processes share: it began at a real time and runs so many times as fast. `mark`: whose it is."""

    began_s: float
    speed: float
    mark: int = 0

    def __call__(self) -> datetime:
        """Return the time."""
        began = datetime.fromtimestamp(self.began_s, UTC)
        now = began + timedelta(seconds=(time.time() - self.began_s) * self.speed)
        return now.replace(microsecond=now.microsecond // MARKS * MARKS + self.mark)


def mark_of(at: datetime) -> int:
    """Return whose clock said this time."""
    return at.microsecond % MARKS


def start(
    settings: Path,
    url: str,
    roles: tuple[Role, ...],
    clock: FastClock,
    log: Path,
    environ: Mapping[str, str] = MappingProxyType({}),
    spoilt: Callable[[], None] = int,
) -> BaseProcess:
    """Start what `hoarline run --only ROLES` runs, with settings of its environment; it ends by being killed.

    `spoilt` is called in the process before: it plants a fault that is to be found.
    """
    environ = {"HOARLINE_STORE__URL": url, **environ}
    process = CONTEXT.Process(target=_serve, args=(settings, environ, roles, clock, log, spoilt), daemon=True)
    process.start()
    return process


def end_with_parent() -> None:
    """End this process when the one that started it is gone, in whatever way: nothing stays behind that nobody kills."""
    parent = multiprocessing.parent_process()
    assert parent is not None

    def wait() -> None:
        connection.wait([parent.sentinel])
        os._exit(1)

    threading.Thread(target=wait, daemon=True).start()


def _serve(
    settings: Path,
    environ: dict[str, str],
    roles: tuple[Role, ...],
    clock: FastClock,
    log: Path,
    spoilt: Callable[[], None],
) -> None:
    file = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    for stream in (sys.stdout, sys.stderr):
        os.dup2(file, stream.fileno())
    set_up_logs("text")
    end_with_parent()
    spoilt()
    asyncio.run(_run(Service(load_settings(settings, environ), clock=clock, roles=roles)))


async def _run(service: Service) -> None:
    async with service:
        await asyncio.Event().wait()
