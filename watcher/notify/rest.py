"""Which destinations are left alone for a while, because they fail; and how they are asked again."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from random import Random

from watcher.notify.retry import wait_after


@dataclass(slots=True)
class _Failing:
    """A destination that does not answer, and when it rests. A clock that was set back to before that ends the rest."""

    failures: int
    since: datetime
    until: datetime

    def rests(self, now: datetime) -> bool:
        """Return whether it is left alone at this time."""
        return self.since <= now < self.until


class Rests:
    """The destinations that fail. One that never failed is not in here.

    Parameters
    ----------
    random
        Spreads the waits.
    """

    def __init__(self, random: Random) -> None:
        self._random = random
        self._failing: dict[str, _Failing] = {}
        self._on_their_way: dict[str, int] = {}

    def left_alone(self, now: datetime) -> frozenset[str]:
        """Return the destinations that rest, or are being asked whether they answer again."""
        return frozenset(
            name for name, failing in self._failing.items() if failing.rests(now) or self._on_their_way.get(name)
        )

    def may_begin(self, name: str) -> bool:
        """Return whether one more message may be sent, and count it if so: one at a time to a failing destination."""
        on_their_way = self._on_their_way.get(name, 0)
        if name in self._failing and on_their_way:
            return False
        self._on_their_way[name] = on_their_way + 1
        return True

    def ended(self, name: str) -> None:
        """Note that a message is no longer on its way."""
        left = self._on_their_way[name] - 1
        if left:
            self._on_their_way[name] = left
        else:
            del self._on_their_way[name]

    def answered(self, name: str) -> None:
        """Note that a destination took a message."""
        self._failing.pop(name, None)

    def failed(self, name: str, now: datetime, retry_after_s: float | None) -> None:
        """Note that a destination did not take a message for its own reasons.

        Several that were on their way together count once.
        """
        before = self._failing.get(name)
        if before is not None and before.rests(now):
            return
        failures = before.failures + 1 if before is not None else 1
        self._failing[name] = _Failing(failures, now, now + wait_after(failures, retry_after_s, self._random))
