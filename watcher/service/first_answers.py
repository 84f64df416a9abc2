"""What came while nobody led is heard first: before the feeds were asked once, no station counts as silent."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Collection
from contextlib import suppress
from typing import TypeAlias

Job: TypeAlias = Callable[[], Awaitable[None]]

# A feed that does not answer for so long after a start keeps nobody from judging that time has passed.
WAIT_S = 30.0


class FirstAnswers:
    """Knows which questions to feeds have not ended once since this process leads.

    Parameters
    ----------
    wait_s
        For so many seconds others wait for them, from when they would run.
    """

    def __init__(self, wait_s: float = WAIT_S) -> None:
        self._wait_s = wait_s
        self._open: set[str] = set()
        self._all = asyncio.Event()

    def begin(self, questions: Collection[str]) -> None:
        """Wait for these from now on."""
        self._open = set(questions)
        self._note()

    def ended(self, question: str) -> None:
        """Note that a question was answered, or failed."""
        self._open.discard(question)
        self._note()

    def first(self, job: Job) -> Job:
        """Return a job that waits for them before it runs."""

        async def run() -> None:
            with suppress(TimeoutError):
                await asyncio.wait_for(self._all.wait(), self._wait_s)
            await job()

        return run

    def _note(self) -> None:
        if self._open:
            self._all.clear()
        else:
            self._all.set()
