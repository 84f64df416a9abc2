"""The web server, inside the service's own event loop."""

from __future__ import annotations

import asyncio
import logging
import socket
from collections.abc import Generator
from contextlib import contextmanager
from types import TracebackType
from typing import Self

import structlog
import uvicorn
from fastapi import FastAPI

_log = structlog.get_logger()
_PLAIN = logging.Formatter()
_GRACE_S = 3
_MOST_AT_ONCE = 200
_LARGEST_HEAD = 16 * 1024


class WebServer:
    """Serves an application at one address. Use as an async context manager.

    Parameters
    ----------
    app
        The application.
    bind
        Such as ``127.0.0.1:8321`` or ``[::1]:8321``; port 0 takes a free one, and `port` says which.

    Raises
    ------
    OSError
        On entering: the address cannot be opened.
    """

    def __init__(self, app: FastAPI, bind: str) -> None:
        host, _, port = bind.rpartition(":")
        self._host, self._wanted_port = host.strip("[]"), int(port)
        self._server = _QuietServer(
            uvicorn.Config(
                app,
                http="h11",
                ws="none",
                lifespan="off",
                log_config=None,
                # Paths are permissions here; a log of them would be a list of keys.
                access_log=False,
                server_header=False,
                proxy_headers=False,
                limit_concurrency=_MOST_AT_ONCE,
                h11_max_incomplete_event_size=_LARGEST_HEAD,
                timeout_graceful_shutdown=_GRACE_S,
            )
        )
        self.port = 0

    async def __aenter__(self) -> Self:
        listening = _listen(self._host, self._wanted_port)
        self.port = listening.getsockname()[1]
        _forward_logs()
        self._serving = asyncio.create_task(self._server.serve(sockets=[listening]))
        try:
            await self._server.ready.wait()
            if self._serving.done():
                self._serving.result()
        except BaseException:
            self._serving.cancel()
            listening.close()
            raise
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._server.should_exit = True
        await self._serving


class _QuietServer(uvicorn.Server):
    """Leaves signals to the service, and says when it listens, or never will."""

    def __init__(self, config: uvicorn.Config) -> None:
        super().__init__(config)
        self.ready = asyncio.Event()

    async def serve(self, sockets: list[socket.socket] | None = None) -> None:
        try:
            await super().serve(sockets)
        finally:
            self.ready.set()

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        self.ready.set()

    @contextmanager
    def capture_signals(self) -> Generator[None, None, None]:
        yield


def _listen(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    return socket.create_server((host, port), family=family)


class _ToStructlog(logging.Handler):
    """Hands what the library logs to the service's own log, where secrets are taken out."""

    def emit(self, record: logging.LogRecord) -> None:
        """Hand over one record; a traceback as lines of code only, for the values in it hold tokens."""
        trace = {"exception": _PLAIN.formatException(record.exc_info)} if record.exc_info else {}
        _log.log(record.levelno, f"web server: {record.getMessage()}", **trace)


def _forward_logs() -> None:
    """Forward warnings and worse; once for the process, whatever number of servers it runs."""
    logger = logging.getLogger("uvicorn.error")
    logger.setLevel(logging.WARNING)
    logger.propagate = False
    if not any(isinstance(handler, _ToStructlog) for handler in logger.handlers):
        logger.addHandler(_ToStructlog())
