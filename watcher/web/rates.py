"""How often somebody may ask: a bucket of requests for each of them, which fills again with time."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from math import ceil
from time import monotonic

from watcher.web.problems import Refusal

# Generous: a program that asks for 300 stations one by one passes, one that asks in a circle without a pause does not.
BURST = 300
PER_S = 20.0
# Some 2 MB. Whoever was not seen for the longest time is forgotten first; their bucket had filled again long ago.
MOST = 10_000


class Rates:
    """Counts the requests of each asker.

    Parameters
    ----------
    burst
        So many at once.
    per_s
        So many in a second, for as long as one likes.
    most
        Askers that are remembered.
    clock
        Seconds that only rise.
    """

    def __init__(
        self, burst: int = BURST, per_s: float = PER_S, most: int = MOST, clock: Callable[[], float] = monotonic
    ) -> None:
        self._burst = burst
        self._per_s = per_s
        self._most = most
        self._clock = clock
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def __len__(self) -> int:
        """How many askers are remembered."""
        return len(self._left)

    def wait_s(self, asker: str) -> float:
        """Count one request; return 0.0 where it may pass, else the seconds until one may."""
        now = self._clock()
        left, at = self._left.pop(asker, (float(self._burst), now))
        left = min(self._burst, left + (now - at) * self._per_s)
        passes = left >= 1
        self._left[asker] = (left - 1 if passes else left, now)
        if len(self._left) > self._most:
            self._left.popitem(last=False)
        return 0.0 if passes else (1 - left) / self._per_s

    def count(self, asker: str) -> None:
        """Count one request.

        Raises
        ------
        Refusal
            429 where it is one too many; Retry-After says when to come again (RFC 6585, section 4).
        """
        wait_s = self.wait_s(asker)
        if wait_s:
            detail = f"Too many requests: at most {self._burst} at once, then {self._per_s:g} a second."
            raise Refusal(429, detail, headers={"Retry-After": str(ceil(wait_s))})
