"""Tells the one who started this process how it is: started, and still doing its rounds. Who hears no more restarts it.

The protocol is that of sd_notify(3): lines in a datagram to the socket that $NOTIFY_SOCKET names. Without it, nothing
is told.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Callable, Mapping
from types import TracebackType
from typing import Self

import structlog

_log = structlog.get_logger()


class Supervision:
    """Says that the service has started, then again and again that it lives. Use as an async context manager.

    Parameters
    ----------
    alive
        None, or why the process should be restarted. While there is a reason, nothing is said.
    environ
        NOTIFY_SOCKET, and WATCHDOG_USEC: after how many microseconds of silence the process is restarted.
    """

    def __init__(self, alive: Callable[[], str | None], environ: Mapping[str, str]) -> None:
        self._alive = alive
        self._address = environ.get("NOTIFY_SOCKET", "")
        silence_us = environ.get("WATCHDOG_USEC", "")
        # Half of the time that is left, as the manual asks for.
        self._every_s = int(silence_us) / 2_000_000 if silence_us.isdecimal() else None
        self._beating: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Self:
        if self._address:
            self._tell("READY=1")
            if self._every_s:
                self._beating = asyncio.create_task(self._beat(self._every_s))
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._beating is not None:
            self._beating.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._beating

    async def _beat(self, every_s: float) -> None:
        while True:
            reason = self._alive()
            if reason is None:
                self._tell("WATCHDOG=1")
            else:
                _log.error("asks to be restarted", reason=reason)
            await asyncio.sleep(every_s)

    def _tell(self, line: str) -> None:
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as telling:
                telling.sendto(line.encode(), address)
        except OSError as error:
            _log.warning("whoever started this process cannot be told how it is", error=str(error))
