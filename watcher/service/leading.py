"""Whether this process polls and judges: one of those at a store does; the others stand by and take over."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import TypeAlias

import structlog

from watcher.errors import NotLeader
from watcher.store.leadership import Leadership
from watcher.telemetry import Metrics

Job: TypeAlias = Callable[[], Awaitable[None]]
_log = structlog.get_logger()


class Leading:
    """Stands in the election of one store.

    Parameters
    ----------
    leadership
        The part in it.
    begin
        Called with the term when this process is elected, before it does anything as leader. What it raises makes the
        process resign.
    metrics
        Where it is told.
    """

    def __init__(self, leadership: Leadership, begin: Callable[[int], Awaitable[None]], metrics: Metrics) -> None:
        self._leadership = leadership
        self._begin = begin
        self._metrics = metrics
        self.term: int | None = None

    def __bool__(self) -> bool:
        """Whether this process leads, as far as it knows. The store refuses its writes where it is wrong."""
        return self.term is not None

    async def look(self) -> None:
        """Stand in the election, or make sure that this process leads still.

        Raises
        ------
        StoreError
            The database does not answer; nobody leads from here then.
        """
        if self.term is None:
            await self._campaign()
        elif not await asyncio.to_thread(self._leadership.holds):
            self.depose("the lock of the leader was lost")

    def only(self, job: Job) -> Job:
        """Return a job that does nothing while another process leads. A write that is refused ends the leading."""

        async def run() -> None:
            if not self:
                return
            try:
                await job()
            except NotLeader as error:
                self.depose(str(error))
                raise

        return run

    def depose(self, why: str) -> None:
        """Lead no more, until elected again."""
        if self.term is not None:
            _log.warning("no longer the leader", term=self.term, why=why)
            self.term = None
            self._metrics.set("hoarline_leader", 0)

    async def resign(self) -> None:
        """Lead no more, and let another process at once."""
        self.term = None
        await asyncio.to_thread(self._leadership.resign)

    async def _campaign(self) -> None:
        term = await asyncio.to_thread(self._leadership.campaign)
        self._metrics.set("hoarline_leader", 0)
        if term is None:
            return
        try:
            await self._begin(term)
        except BaseException:
            await asyncio.to_thread(self._leadership.resign)
            raise
        self.term = term
        self._metrics.set("hoarline_leader", 1)
        _log.info("leads", term=term)
