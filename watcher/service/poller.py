"""Asks the feeds that are needed and hands on what they bring. A feed that fails is counted, logged and passed over."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from datetime import datetime

import structlog

from watcher.errors import FeedError, StoreError
from watcher.feeds.health import FeedHealth, after_answer, after_failure, feeds_to_ask
from watcher.feeds.model import Feed, Fetched, What
from watcher.reports.model import Observation, Report, Unreadable
from watcher.service.receiving import received
from watcher.telemetry import Metrics

Keep = Callable[[Sequence[Report]], Awaitable[None]]
_log = structlog.get_logger()


def question(feed: Feed, what: What) -> str:
    """Return what a question to a feed is called."""
    return f"{what} {feed.name}"


class Poller:
    """One place for all feeds.

    Parameters
    ----------
    feeds
        In the order of the settings.
    keep
        Judges and commits reports; raises StoreError when it cannot.
    clock
        The present.
    metrics
        Where answers are counted.
    asking
        Told of each question that is put; returns whom to tell when it is over, answered or not, once what it brought
        is kept.

    Attributes
    ----------
    not_kept
        Why what a feed brought last could not be kept; None: it was.
    """

    def __init__(
        self,
        feeds: Sequence[Feed],
        keep: Keep,
        clock: Callable[[], datetime],
        metrics: Metrics,
        asking: Callable[[str], Callable[[], None]] = lambda _question: lambda: None,
    ) -> None:
        self._feeds = tuple(feeds)
        self._keep = keep
        self._clock = clock
        self._metrics = metrics
        self._asking = asking
        self._unkept: set[tuple[str, What]] = set()
        self.reports_received = 0
        self.not_kept: str | None = None
        self.health: dict[What, dict[str, FeedHealth]] = {"metar": {}, "taf": {}}

    async def poll(self, feed: Feed, what: What) -> bool:
        """Ask one feed, where it is needed; return whether it answered and what it brought was kept.

        Raises
        ------
        StoreError
            What it brought could not be kept. The next question asks for everything again.
        """
        over = self._asking(question(feed, what))
        try:
            return await self._poll(feed, what)
        finally:
            over()

    async def _poll(self, feed: Feed, what: What) -> bool:
        now = self._clock()
        if feed not in feeds_to_ask(self._feeds, self.health[what], what, now):
            return False
        health = self.health[what].get(feed.name, FeedHealth())
        key = (feed.name, what)
        try:
            fetched = await feed.fetch(what, now=now, everything=key in self._unkept)
        except FeedError as error:
            self.health[what][feed.name] = after_failure(health, error, now)
            self._metrics.count("hoarline_feed_answers", feed=feed.name, what=what, outcome="failed")
            _log.warning("feed failed", feed=feed.name, what=what, error=str(error))
            return False
        self.health[what][feed.name] = after_answer(health, fetched)
        self._observe(fetched, now)
        reports = await asyncio.to_thread(received, fetched)
        self.reports_received += len(reports)
        self._count(feed.name, reports)
        self._unkept.add(key)
        try:
            await self._keep(reports)
        except StoreError as error:
            self.not_kept = str(error)
            _log.exception("reports could not be kept", feed=feed.name, what=what, reports=len(reports))
            raise
        self._unkept.discard(key)
        self.not_kept = None
        if fetched.on_kept is not None:
            fetched.on_kept()
        return True

    def _observe(self, fetched: Fetched, now: datetime) -> None:
        feed, what = fetched.feed, fetched.what
        self._metrics.count("hoarline_feed_answers", feed=feed, what=what, outcome=fetched.outcome.value)
        if fetched.newest_at is not None:
            age_s = (now - fetched.newest_at).total_seconds()
            self._metrics.set("hoarline_feed_newest_age_seconds", age_s, feed=feed, what=what)
        if fetched.lag_s is not None:
            self._metrics.set("hoarline_feed_lag_seconds", fetched.lag_s, feed=feed)
        for outcome, count in fetched.messages.items():
            self._metrics.count("hoarline_feed_messages", count, feed=feed, outcome=outcome)
        for problem in fetched.problems:
            _log.warning("part of an answer passed over", feed=fetched.feed, problem=problem)

    def _count(self, feed: str, reports: Sequence[Report]) -> None:
        for report in reports:
            decoded = report.decoded
            if isinstance(decoded, Unreadable):
                _log.info("unreadable report", feed=feed, station=decoded.station, error=decoded.error)
                outcome = "unreadable"
            else:
                outcome = "doubtful" if isinstance(decoded, Observation) and decoded.doubts else "read"
            self._metrics.count("hoarline_reports", feed=feed, outcome=outcome)
