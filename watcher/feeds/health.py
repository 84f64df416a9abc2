"""How a feed is doing, told from its results alone, and which feeds to ask because of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import TypeVar

from watcher.errors import FeedBusy, FeedError
from watcher.feeds.model import Feed, Fetched, Outcome, What

_F = TypeVar("_F", bound=Feed)


@dataclass(frozen=True, slots=True)
class FeedHealth:
    """How one feed is doing with METAR, or with TAF.

    `last_success_at`: it answered as it should. `last_change_at`: it brought something new. `newest_at`: its newest
    report. `stale`: its last answer held nothing recent, or lacked a part. `blocked_since`, `blocked_until`: it is not
    to be asked in between. `detail`: what was wrong last, empty when nothing is. `state`: how a feed that listens does.
    """

    last_success_at: datetime | None = None
    last_change_at: datetime | None = None
    newest_at: datetime | None = None
    consecutive_failures: int = 0
    stale: bool = False
    blocked_since: datetime | None = None
    blocked_until: datetime | None = None
    detail: str = ""
    state: str = ""

    def newest_age(self, now: datetime) -> timedelta | None:
        """Return the age of the newest report; None when none was seen."""
        return None if self.newest_at is None else now - self.newest_at

    def blocked(self, now: datetime) -> bool:
        """Return whether it is not to be asked at this time. A clock that was set back to before it ends it."""
        if self.blocked_until is None or now >= self.blocked_until:
            return False
        return self.blocked_since is None or self.blocked_since <= now

    def in_trouble(self, now: datetime) -> bool:
        """Return whether the feeds after it are needed."""
        return self.consecutive_failures > 0 or self.stale or self.blocked(now)


def after_answer(health: FeedHealth, fetched: Fetched) -> FeedHealth:
    """Return the health after an answer. An empty, stale or partial one is an answer, but the next feed is needed."""
    stale = fetched.incomplete or fetched.outcome in {Outcome.STALE, Outcome.EMPTY}
    return replace(
        health,
        last_success_at=health.last_success_at if stale else fetched.received_at,
        last_change_at=fetched.received_at if fetched.reports else health.last_change_at,
        newest_at=fetched.newest_at or health.newest_at,
        consecutive_failures=0,
        stale=stale,
        blocked_since=None,
        blocked_until=None,
        detail=fetched.detail if stale else "",
        state=fetched.state,
    )


def after_failure(health: FeedHealth, error: FeedError, now: datetime) -> FeedHealth:
    """Return the health after a question that brought no usable answer."""
    wait_s = error.retry_after_s if isinstance(error, FeedBusy) else None
    return replace(
        health,
        consecutive_failures=health.consecutive_failures + 1,
        blocked_since=None if wait_s is None else now,
        blocked_until=None if wait_s is None else now + timedelta(seconds=wait_s),
        detail=str(error),
        state="",
    )


def feeds_to_ask(feeds: Sequence[_F], healths: Mapping[str, FeedHealth], what: What, now: datetime) -> tuple[_F, ...]:
    """Return the feeds to ask at this time, in their order.

    Folders are always asked. Of the feeds on the network the first is asked, and the next only while all before it
    fail, are stale or must be left alone: asking costs the other side, and two answers say the same.

    Parameters
    ----------
    feeds
        In the order of the settings.
    healths
        By name of the feed, for `what`; a feed without an entry has not been asked yet.
    what
        METAR or TAF: feeds that do not bring it are left out.
    """
    chosen: list[_F] = []
    needed = True
    for feed in feeds:
        if what not in feed.brings:
            continue
        health = healths.get(feed.name, FeedHealth())
        if not feed.over_network:
            chosen.append(feed)
        elif needed:
            needed = health.in_trouble(now)
            if not health.blocked(now):
                chosen.append(feed)
    return tuple(chosen)
