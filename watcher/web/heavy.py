"""Work that keeps a processor busy, such as an ensemble: in threads, a few at once, so that the board goes on."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import TypeVar

from watcher.web.problems import Refusal

T = TypeVar("T")

# At once, and waiting for their turn. One is left to the cycle of a small machine.
AT_ONCE = 2
WAITING = 12


class Heavy:
    """Runs such work; whoever comes when too many wait is told to come again."""

    def __init__(self, at_once: int = AT_ONCE, waiting: int = WAITING) -> None:
        self._turns = asyncio.Semaphore(at_once)
        self._most = at_once + waiting
        self._inside = 0

    async def run(self, work: Callable[[], T]) -> T:
        """Return what the work returns.

        Raises
        ------
        Refusal
            503 when too many wait already.
        """
        if self._inside >= self._most:
            detail = "Too many plans are being made just now. Nothing was lost; try again in a few seconds."
            raise Refusal(503, detail, headline="Busy for a moment", headers={"Retry-After": "5"})
        self._inside += 1
        try:
            async with self._turns:
                return await asyncio.to_thread(work)
        finally:
            self._inside -= 1
