"""Calls a web address after whole successful cycles, so that somebody else notices when they stop."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

import structlog

from watcher.errors import GuardError, NetError
from watcher.net import HttpClients
from watcher.telemetry import Metrics

_log = structlog.get_logger()
_TIMEOUT_S = 10.0


class Heartbeat:
    """One address, called at most so often.

    Parameters
    ----------
    http
        The way out.
    url
        None: nothing is called.
    every
        The shortest time between two calls.
    clock
        The present.
    metrics
        Where calls are counted.
    """

    def __init__(
        self, http: HttpClients, url: str | None, every: timedelta, *, clock: Callable[[], datetime], metrics: Metrics
    ) -> None:
        self._http = http
        self._url = url
        self._every = every
        self._clock = clock
        self._metrics = metrics
        self._last: datetime | None = None

    async def beat(self) -> None:
        """Call the address; that it fails is counted and logged and stops nothing."""
        now = self._clock()
        if self._url is None:
            return
        if self._last is not None:
            # A clock that was ahead must not keep it silent for as long as it was.
            self._last = min(self._last, now)
            if now - self._last < self._every:
                return
        self._last = now
        try:
            answer = await self._http.get(self._url, timeout=_TIMEOUT_S)
        except (NetError, GuardError) as error:
            outcome, detail = "failed", str(error)
        else:
            outcome, detail = ("called" if answer.status < 400 else "failed"), f"status {answer.status}"
        self._metrics.count("hoarline_heartbeats", outcome=outcome)
        if outcome == "failed":
            _log.warning("heartbeat failed", detail=detail)
