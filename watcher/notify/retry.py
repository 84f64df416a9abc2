"""When to try again: soon at first, since an alert is worth most when fresh, then less and less often."""

from __future__ import annotations

from datetime import datetime, timedelta
from random import Random

# Common practice, no source. A receiver that restarts is back within the first minutes; the last wait repeats.
WAITS = tuple(timedelta(seconds=seconds) for seconds in (5, 15, 45, 120, 300, 600, 900))
# A receiver may ask for patience, but not silence an alert for the rest of the night.
LONGEST_RETRY_AFTER = timedelta(hours=1)
_SPREAD = 0.2


def wait_after(attempts: int, retry_after_s: float | None, random: Random) -> timedelta:
    """Return how long to wait after so many attempts: 5 s, 15 s, 45 s, 2, 5, 10, 15 min, and up to a fifth more.

    Parameters
    ----------
    attempts
        Attempts that failed so far, at least 1.
    retry_after_s
        Seconds that the receiver asked for; kept up to an hour, never shortened below the usual wait.
    random
        Spreads the attempts, so that a receiver that comes back is not met by all at once.
    """
    usual = WAITS[min(max(attempts, 1), len(WAITS)) - 1]
    asked = min(timedelta(seconds=min(retry_after_s or 0.0, 1e6)), LONGEST_RETRY_AFTER)
    return max(usual, asked) * (1.0 + _SPREAD * random.random())


def next_due(
    attempts: int, now: datetime, valid_until: datetime, retry_after_s: float | None, random: Random
) -> datetime | None:
    """Return when a delivery is tried again; None when it would no longer be worth reading then.

    Parameters are those of `wait_after`, with `now` the present and `valid_until` the end of the message's worth.
    """
    due = now + wait_after(attempts, retry_after_s, random)
    return due if due < valid_until else None
