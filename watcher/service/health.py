"""A small port for whoever keeps the service alive: /livez, /readyz, /metrics.

It speaks just enough HTTP for that: one GET for each connection, bounded in size and time, nothing that changes
anything.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from types import TracebackType
from typing import Self

from watcher.errors import cannot_listen

_LONGEST_REQUEST = 8192
_TIMEOUT_S = 5.0
_PLAIN = "text/plain; charset=utf-8"
_REASONS = {200: "OK", 404: "Not Found", 405: "Method Not Allowed", 400: "Bad Request", 503: "Service Unavailable"}


@dataclass(frozen=True, slots=True)
class Readiness:
    """Whether the service does its job. `problems`: why not, in plain words. `values`: what it is judged by."""

    problems: tuple[str, ...]
    values: dict[str, object]


@dataclass(frozen=True, slots=True)
class Probes:
    """What the port asks. `alive`: None, or why the process should be restarted."""

    alive: Callable[[], str | None]
    ready: Callable[[], Awaitable[Readiness]]
    metrics: Callable[[], bytes]
    metrics_type: str


class HealthServer:
    """Listens on one address. Use as an async context manager; `port` is the one that was really opened.

    Raises
    ------
    HoarlineError
        On entering: the address cannot be opened.
    """

    def __init__(self, bind: str, probes: Probes) -> None:
        self._bind = bind
        host, _, port = bind.rpartition(":")
        self._host, self._wanted_port = host.strip("[]"), int(port)
        self._probes = probes
        self._server: asyncio.Server | None = None
        self.port = 0

    async def __aenter__(self) -> Self:
        try:
            self._server = await asyncio.start_server(self._talk, self._host, self._wanted_port, limit=_LONGEST_REQUEST)
        except OSError as error:
            raise cannot_listen("health", self._bind, error) from error
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._server is not None
        self._server.close()
        await self._server.wait_closed()

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            async with asyncio.timeout(_TIMEOUT_S):
                head = await reader.readuntil(b"\r\n\r\n")
                status, kind, body = await self._answer(head)
                lines = (
                    f"HTTP/1.1 {status} {_REASONS[status]}",
                    f"Content-Type: {kind}",
                    f"Content-Length: {len(body)}",
                    "Cache-Control: no-store",
                    "Connection: close",
                )
                writer.write("\r\n".join((*lines, "", "")).encode() + body)
                await writer.drain()
        except (TimeoutError, asyncio.IncompleteReadError, asyncio.LimitOverrunError, ConnectionError):
            pass  # whoever asked so is owed no answer
        finally:
            writer.close()

    async def _answer(self, head: bytes) -> tuple[int, str, bytes]:
        words = head.split(b"\r\n", 1)[0].split(b" ")
        if len(words) != 3:
            return 400, _PLAIN, b"this is no HTTP request\n"
        if words[0] not in {b"GET", b"HEAD"}:
            return 405, _PLAIN, b"only GET\n"
        path = words[1].split(b"?", 1)[0]
        if path == b"/livez":
            reason = self._probes.alive()
            return (200, _PLAIN, b"alive\n") if reason is None else (503, _PLAIN, f"{reason}\n".encode())
        if path == b"/readyz":
            ready = await self._probes.ready()
            body = json.dumps({"ready": not ready.problems, "problems": ready.problems, **ready.values})
            return (503 if ready.problems else 200), "application/json", body.encode() + b"\n"
        if path == b"/metrics":
            return 200, self._probes.metrics_type, self._probes.metrics()
        return 404, _PLAIN, b"/livez, /readyz or /metrics\n"
