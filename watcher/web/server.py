"""The web server, inside the service's own event loop."""

from __future__ import annotations

import asyncio
import logging
import socket
import sys
from collections.abc import Generator
from contextlib import contextmanager
from types import TracebackType
from typing import Self

import structlog
import uvicorn
from fastapi import FastAPI

from watcher.web.bounds import MOST_AT_ONCE
from watcher.web.live import MOST_STREAMS, LiveEvents

_log = structlog.get_logger()
_PLAIN = logging.Formatter()
_GRACE_S = 3
# Connections, those that only wait for their next request among them. What is asked on them is bounded by `Bounds`,
# which answers in words; here the line is simply cut.
_MOST_CONNECTIONS = MOST_STREAMS + 3 * MOST_AT_ONCE
# Feeds, messages, the store and the health server need files, too.
_FILES = _MOST_CONNECTIONS + 500
# Many come back at the same moment after a restart.
_BACKLOG = 1024
# After so long without a sign from the other side a connection is over, though nobody said so: a lid was closed, a
# network was left. It would hold its place for a quarter of an hour otherwise (Linux, tcp_retries2).
_SILENT_MS = 45_000
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
        self._app = app
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
                backlog=_BACKLOG,
                limit_concurrency=_MOST_CONNECTIONS,
                h11_max_incomplete_event_size=_LARGEST_HEAD,
                timeout_graceful_shutdown=_GRACE_S,
            )
        )
        self.port = 0

    async def __aenter__(self) -> Self:
        _allow_files()
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
        # Streams go on until they are ended; others are given their time.
        live: LiveEvents | None = getattr(self._app.state, "live", None)
        if live is not None:
            await live.close()
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
    listening = socket.create_server((host, port), family=family, backlog=_BACKLOG)
    # Head and body are written apart; without this the body waits 40 ms for the reader to confirm the head.
    listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    if sys.platform == "linux":  # RFC 5482; what is accepted has it from its listener
        listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, _SILENT_MS)
    return listening


def _allow_files() -> None:
    """Raise the number of files that may be open to what the connections need, as far as this user may."""
    if sys.platform == "win32":
        return
    import resource  # noqa: PLC0415 - not on every system

    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft == resource.RLIM_INFINITY or soft >= _FILES:
        return
    wanted = _FILES if hard == resource.RLIM_INFINITY else min(_FILES, hard)
    resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))
    if wanted < _FILES:
        _log.warning("few open files are allowed: fewer can listen at once", files=wanted, needed=_FILES)


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
