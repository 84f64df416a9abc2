"""Whether the service does its job: the store answers, turns are committed, the feeds are fresh. In plain words."""

from __future__ import annotations

import asyncio
from datetime import datetime, timedelta

from watcher.errors import StoreError
from watcher.feeds.health import FeedHealth
from watcher.service.health import Readiness
from watcher.service.people import PeopleWatch
from watcher.service.poller import Poller
from watcher.service.watchkeeper import Watchkeeper
from watcher.store.store import Store
from watcher.units import duration_text, iso_z

# Where nobody set it.
_LATE = timedelta(minutes=15)


def unsent_since(store: Store, now: datetime, late: timedelta) -> datetime | None:
    """Return since when a message is due that nobody tries to send; None: there is none. Blocks; StoreError."""
    return store.backlog(now, late=late, lately=timedelta()).untried_since


def standing_still(last_at: datetime | None, tick: timedelta | None, now: datetime) -> str | None:
    """Return why this process should be started again; None while turns are committed.

    A loop that stands still would not answer at all. `last_at`: when a turn was committed last, or this process began
    to take them. `tick`: how often one is taken; None: by another process.
    """
    if last_at is None or tick is None or now - last_at <= max(tick * 10, timedelta(minutes=5)):
        return None
    return f"no turn has been committed since {last_at:%H%MZ}"


async def readiness(  # noqa: PLR0917 - the parts that are asked
    store: Store,
    keeper: Watchkeeper,
    poller: Poller,
    people: PeopleWatch,
    tick: timedelta | None,
    now: datetime,
    late: timedelta = _LATE,
) -> Readiness:
    """Return whether the service is ready, with what that is judged by.

    `tick`: how often a turn is taken; None: another process takes them, and this one stands by. `late`: so long a
    message may be due before somebody tries to send it.
    """
    problems = [f"{problem}" for problem in people.problems]
    try:
        unsent = await asyncio.to_thread(unsent_since, store, now, late)
    except StoreError as error:
        problems.append(f"the store does not answer: {error}")
    else:
        if unsent is not None:
            problems.append(f"nobody tries to send what is due since {duration_text(now - unsent)}")
    if tick is None:
        return Readiness(tuple(problems), {"role": "stands by"})
    # Turns in which nothing is new write nothing, and go well with a full disk, too.
    if poller.not_kept is not None:
        problems.append(f"reports cannot be kept: {poller.not_kept}")
    last = keeper.last_turn_at
    if last is None:
        problems.append("no turn has been committed yet")
    elif now - last > tick * 4 + timedelta(seconds=30):
        problems.append(f"the last turn was committed {duration_text(now - last)} ago")
    feeds = {}
    for what, healths in poller.health.items():
        for name, health in healths.items():
            feeds[f"{name} {what}"] = _as_json(health, now)
        if healths and all(health.in_trouble(now) for health in healths.values()):
            details = "; ".join(f"{name}: {health.detail}" for name, health in healths.items())
            problems.append(f"no feed brings fresh {what.upper()}s: {details}")
    last_turn_at = iso_z(last) if last is not None else None
    values: dict[str, object] = {"role": "leads", "last_turn_at": last_turn_at, "feeds": feeds}
    return Readiness(tuple(problems), values)


def _as_json(health: FeedHealth, now: datetime) -> dict[str, object]:
    age = health.newest_age(now)
    return {
        "last_success_at": iso_z(health.last_success_at) if health.last_success_at is not None else None,
        "newest_age_min": round(age.total_seconds() / 60, 1) if age is not None else None,
        "failures_in_a_row": health.consecutive_failures,
        "detail": health.detail,
        **({"state": health.state} if health.state else {}),
    }
