"""How often a host may be asked: so many requests a minute, and longer waits when it refuses or fails.

All values come in: the present as `now`, chance as a seeded `Random`. One budget serves every feed of its host.
"""

from __future__ import annotations

from collections import deque
from datetime import datetime, timedelta
from random import Random

REQUESTS_A_MINUTE = 10
# The largest public feed blocks for a minute and more after a refusal and promises no Retry-After.
BUSY_WAIT = timedelta(seconds=60)
FIRST_FAILURE_WAIT = timedelta(seconds=5)
LONGEST_WAIT = timedelta(minutes=5)
LONGEST_RETRY_AFTER = timedelta(hours=6)

_MINUTE = timedelta(minutes=1)


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
        self._failed_until: datetime | None = None
        self._refused_until: datetime | None = None

    def wait_s(self, now: datetime) -> float:
        """Return the seconds until the host may be asked; 0 when it may be asked now."""
        waits = [0.0]
        waits += [
            (until - now).total_seconds() for until in (self._failed_until, self._refused_until) if until is not None
        ]
        if len(self._asked) == self._per_minute:
            # A clock that was set back must not lock the host out for longer than a minute.
            waits.append(min((self._asked[0] + _MINUTE - now).total_seconds(), 60.0))
        return max(waits)

    def asked(self, now: datetime) -> None:
        """Note a request."""
        self._asked.append(now)

    def answered(self) -> None:
        """Note an answer: the next failure counts as the first. What the host asked for meanwhile still holds."""
        self._failures = 0
        self._failed_until = None

    def refused(self, now: datetime, retry_after_s: float | None) -> float:
        """Note that the host asked for fewer requests, and return the seconds to stay away."""
        asked_for = timedelta(seconds=retry_after_s or 0.0)
        wait = self._spread(min(max(asked_for, BUSY_WAIT), LONGEST_RETRY_AFTER))
        self._refused_until = now + wait
        return wait.total_seconds()

    def failed(self, now: datetime) -> float:
        """Note a failure, and return the seconds to stay away: 5, 10, 20 ... 300, and up to a fifth more."""
        self._failures += 1
        wait = self._spread(min(FIRST_FAILURE_WAIT * 2 ** min(self._failures - 1, 16), LONGEST_WAIT))
        self._failed_until = now + wait
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
