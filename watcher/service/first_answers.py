"""What came while nobody listened is heard first: no station counts as silent before the feeds were asked.

Nobody listens before this process leads, and while it or its machine stands still: a laptop that slept, a virtual
machine that was moved, a process that was stopped.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress
from datetime import datetime, timedelta
from typing import TypeAlias

Job: TypeAlias = Callable[[], Awaitable[None]]

# A feed that does not answer for so long after a start keeps nobody from judging that time has passed.
WAIT_S = 30.0
# A question that comes every minute was asked within three.
_LATE = timedelta(minutes=1)


class FirstAnswers:
    """Knows which questions to feeds have not ended since this process leads, or since it stood still.

    Parameters
    ----------
    clock
        The present, which goes on while the machine sleeps.
    wait_s
        For so many seconds others wait for them.
    """

    def __init__(self, clock: Callable[[], datetime], wait_s: float = WAIT_S) -> None:
        self._clock = clock
        self._wait_s = wait_s
        self._every: Mapping[str, timedelta] = {}
        self._asked_at: dict[str, datetime] = {}
        self._open: set[str] = set()
        self._round = 0
        self._since_s = time.monotonic()
        self._all = asyncio.Event()

    def begin(self, questions: Mapping[str, timedelta]) -> None:
        """Wait for these from now on; each with the interval at which it is asked."""
        self._every = dict(questions)
        self._wait_for(set(questions))

    def begin_again(self) -> bool:
        """Wait for them once more where one should have ended since and did not; return whether that is so."""
        late = self._late()
        if late:
            self._wait_for(self._open | late)
        return bool(late)

    def asking(self, question: str) -> Callable[[], None]:
        """Note that a question is put, and return what notes that it was answered, or failed.

        One that was put before the process stood still, and ends after it, says nothing of what came meanwhile.
        """
        asked_at, round_ = self._clock(), self._round

        def ended() -> None:
            self._asked_at[question] = asked_at
            if round_ == self._round:
                self._open.discard(question)
            self._note()

        return ended

    @property
    def known(self) -> bool:
        """Whether what the feeds have to say is known, or has been waited for in vain."""
        if self._open:
            return time.monotonic() - self._since_s > self._wait_s
        return not self._late()

    def first(self, job: Job) -> Job:
        """Return a job that waits for them before it runs."""

        async def run() -> None:
            with suppress(TimeoutError):
                await asyncio.wait_for(self._all.wait(), self._wait_s)
            await job()

        return run

    def _late(self) -> set[str]:
        now = self._clock()
        return {
            name
            for name, interval in self._every.items()
            if name not in self._open and now - self._asked_at.get(name, now) > 2 * interval + _LATE
        }

    def _wait_for(self, questions: set[str]) -> None:
        self._open = questions
        self._round += 1
        self._since_s = time.monotonic()
        self._note()

    def _note(self) -> None:
        if self._open:
            self._all.clear()
        else:
            self._all.set()
