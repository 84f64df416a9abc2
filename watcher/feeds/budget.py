"""How often a host may be asked: so many requests a minute, and longer waits when it refuses or fails.

All values come in: the present as `now`, chance as a seeded `Random`. One budget serves every feed of its host.
"""

from __future__ import annotations

from collections import deque
from datetime import datetime, timedelta
from random import Random
from typing import NamedTuple

REQUESTS_A_MINUTE = 10
# The largest public feed blocks for a minute and more after a refusal and promises no Retry-After.
BUSY_WAIT = timedelta(seconds=60)
FIRST_FAILURE_WAIT = timedelta(seconds=5)
LONGEST_WAIT = timedelta(minutes=5)
LONGEST_RETRY_AFTER = timedelta(hours=6)

_MINUTE = timedelta(minutes=1)


class _Wait(NamedTuple):
    """A time in which the host is left alone."""

    since: datetime
    until: datetime

    def left_s(self, now: datetime) -> float:
        """Return how much of it is left: nothing once the clock was set back to before it."""
        return (self.until - now).total_seconds() if now >= self.since else 0.0


class HostBudget:
    """The budget of one host.

    Parameters
    ----------
    per_minute
        The most requests in any minute.
    random
        Spreads the waits, so that many watchers do not come back together.
    """

    def __init__(self, per_minute: int, random: Random) -> None:
        self._per_minute = per_minute
        self._random = random
        self._asked: deque[datetime] = deque(maxlen=per_minute)
        self._failures = 0
        self._failed: _Wait | None = None
        self._refused: _Wait | None = None

    def wait_s(self, now: datetime) -> float:
        """Return the seconds until the host may be asked; 0 when it may be asked now."""
        waits = [0.0]
        waits += [wait.left_s(now) for wait in (self._failed, self._refused) if wait is not None]
        # A clock that was set back must not lock the host out until it is where it was.
        if len(self._asked) == self._per_minute and self._asked[-1] <= now:
            waits.append((self._asked[0] + _MINUTE - now).total_seconds())
        return max(waits)

    def asked(self, now: datetime) -> None:
        """Note a request."""
        if self._asked and self._asked[-1] > now:
            self._asked.clear()
        self._asked.append(now)

    def answered(self) -> None:
        """Note an answer: the next failure counts as the first. What the host asked for meanwhile still holds."""
        self._failures = 0
        self._failed = None

    def refused(self, now: datetime, retry_after_s: float | None) -> float:
        """Note that the host asked for fewer requests, and return the seconds to stay away."""
        asked_for = timedelta(seconds=retry_after_s or 0.0)
        wait = self._spread(min(max(asked_for, BUSY_WAIT), LONGEST_RETRY_AFTER))
        self._refused = _Wait(now, now + wait)
        return wait.total_seconds()

    def failed(self, now: datetime) -> float:
        """Note a failure, and return the seconds to stay away: 5, 10, 20 ... 300, and up to a fifth more."""
        self._failures += 1
        wait = self._spread(min(FIRST_FAILURE_WAIT * 2 ** min(self._failures - 1, 16), LONGEST_WAIT))
        self._failed = _Wait(now, now + wait)
        return wait.total_seconds()

    def _spread(self, wait: timedelta) -> timedelta:
        return wait * (1.0 + 0.2 * self._random.random())


class Budgets:
    """The budgets of all hosts, made when first needed.

    Parameters
    ----------
    random
        Spreads the waits.
    per_minute
        The most requests to one host in any minute.
    """

    def __init__(self, random: Random, *, per_minute: int = REQUESTS_A_MINUTE) -> None:
        self._random = random
        self._per_minute = per_minute
        self._hosts: dict[str, HostBudget] = {}

    def spread_s(self, seconds: float) -> float:
        """Return a wait of so many seconds and up to a fifth more, so that many watchers do not ask in step."""
        return seconds * (1.0 + 0.2 * self._random.random())

    def of(self, host: str) -> HostBudget:
        """Return the budget of a host."""
        return self._hosts.setdefault(host.casefold(), HostBudget(self._per_minute, self._random))
