"""What the poller does when a feed or the store fails: nothing that was brought is forgotten."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from watcher.errors import FeedError, StoreError
from watcher.feeds.model import Fetched, Outcome, RawReport
from watcher.service.poller import Poller
from watcher.telemetry import Metrics

pytestmark = pytest.mark.anyio
NOW = datetime(2026, 1, 12, 6, tzinfo=UTC)


class Feed:
    """A feed that brings its one report once, and again only when asked for everything, as the real ones do."""

    brings = ("metar",)
    over_network = True

    def __init__(self, name="world"):
        self.name = name
        self.asked = []
        self.error = None

    async def fetch(self, what, *, now, everything=False):
        self.asked.append(everything)
        if self.error:
            raise self.error
        fresh = everything or len(self.asked) == 1
        reports = (RawReport("XNOR 120550Z 00000KT CAVOK M01/M02 Q1021"),) if fresh else ()
        outcome = Outcome.CHANGED if fresh else Outcome.UNCHANGED
        return Fetched(self.name, what, outcome, now, reports, newest_at=NOW - timedelta(minutes=10))


class Store:
    def __init__(self):
        self.kept, self.error = [], None

    async def keep(self, reports):
        if self.error:
            raise self.error
        self.kept.extend(reports)


def poller(*feeds):
    store = Store()
    return Poller(feeds, store.keep, lambda: NOW, Metrics()), store


async def test_what_the_store_refused_is_asked_for_again_as_a_whole():
    feed = Feed()
    watcher, store = poller(feed)
    store.error = StoreError("the disk is full")
    with pytest.raises(StoreError):
        await watcher.poll(feed, "metar")
    store.error = None
    assert await watcher.poll(feed, "metar") is True
    assert await watcher.poll(feed, "metar") is True
    assert feed.asked == [False, True, False]
    assert len(store.kept) == 1


async def test_the_next_feed_is_asked_only_while_the_first_is_in_trouble():
    first, second = Feed("first"), Feed("second")
    watcher, store = poller(first, second)
    await watcher.poll(first, "metar")
    assert await watcher.poll(second, "metar") is False
    assert second.asked == []
    first.error = FeedError("it answers with a page")
    assert await watcher.poll(first, "metar") is False
    assert await watcher.poll(second, "metar") is True
    assert len(store.kept) == 2


async def test_failures_are_counted_and_told():
    feed = Feed()
    watcher, _ = poller(feed)
    feed.error = FeedError("it answers with a page")
    await watcher.poll(feed, "metar")
    assert watcher.health["metar"]["world"].detail == "it answers with a page"
    told = watcher._metrics.exposition().decode()
    assert 'hoarline_feed_answers_total{feed="world",outcome="failed",what="metar"} 1.0' in told
