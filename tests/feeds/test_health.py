"""A feed's health told from its results, and which feeds are asked because of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from watcher.errors import FeedBusy, FeedError
from watcher.feeds.health import FeedHealth, after_answer, after_failure, feeds_to_ask
from watcher.feeds.model import Fetched, Outcome, RawReport, What

NOW = datetime(2026, 1, 12, 5, 50, tzinfo=UTC)
EARLIER = NOW - timedelta(minutes=9)


@dataclass(frozen=True, slots=True)
class NamedFeed:
    name: str
    over_network: bool = True
    brings: tuple[What, ...] = ("metar", "taf")

    async def fetch(self, what: What, *, now: datetime, everything: bool = False) -> Fetched:
        raise AssertionError("nobody is asked here")


FIRST, SECOND, THIRD = NamedFeed("first"), NamedFeed("second"), NamedFeed("third")
FOLDER = NamedFeed("folder", over_network=False)


def answer(outcome: Outcome, *reports: RawReport, newest_at: datetime | None = EARLIER) -> Fetched:
    return Fetched("first", "metar", outcome, NOW, reports, newest_at=newest_at, detail="as told")


def test_an_answer_with_news_is_a_success_and_a_change() -> None:
    health = after_answer(FeedHealth(consecutive_failures=3, detail="503"), answer(Outcome.CHANGED, RawReport("X")))
    assert health == FeedHealth(last_success_at=NOW, last_change_at=NOW, newest_at=EARLIER)
    assert health.newest_age(NOW) == timedelta(minutes=9)
    assert not health.in_trouble(NOW)


def test_an_answer_without_news_is_a_success_and_keeps_the_last_change() -> None:
    health = after_answer(FeedHealth(last_change_at=EARLIER), answer(Outcome.UNCHANGED))
    assert (health.last_success_at, health.last_change_at) == (NOW, EARLIER)


def test_a_stale_file_and_an_empty_one_are_trouble_but_no_failure() -> None:
    for outcome in (Outcome.STALE, Outcome.EMPTY):
        health = after_answer(FeedHealth(last_success_at=EARLIER), answer(outcome, newest_at=None))
        assert health.in_trouble(NOW)
        assert (health.consecutive_failures, health.last_success_at, health.detail) == (0, EARLIER, "as told")


def test_failures_are_counted_and_keep_what_was_known() -> None:
    known = FeedHealth(last_success_at=EARLIER, newest_at=EARLIER)
    health = after_failure(after_failure(known, FeedError("down"), NOW), FeedError("still down"), NOW)
    assert (health.consecutive_failures, health.detail) == (2, "still down")
    assert (health.last_success_at, health.newest_at) == (EARLIER, EARLIER)
    assert health.in_trouble(NOW)


def test_a_busy_feed_is_blocked_for_as_long_as_it_said() -> None:
    health = after_failure(FeedHealth(), FeedBusy("slow down", 90.0), NOW)
    assert health.blocked(NOW + timedelta(seconds=89))
    assert not health.blocked(NOW + timedelta(seconds=90))


def test_a_feed_that_was_never_heard_of_has_no_age_and_no_trouble() -> None:
    assert FeedHealth().newest_age(NOW) is None
    assert not FeedHealth().in_trouble(NOW)


def test_while_the_first_feed_is_well_only_it_is_asked() -> None:
    assert feeds_to_ask([FIRST, SECOND], {}, "metar", NOW) == (FIRST,)
    assert feeds_to_ask([FIRST, SECOND], {"first": FeedHealth(last_success_at=NOW)}, "metar", NOW) == (FIRST,)


def test_a_failing_or_stale_feed_is_asked_again_together_with_the_next() -> None:
    for trouble in (FeedHealth(consecutive_failures=1), FeedHealth(stale=True)):
        assert feeds_to_ask([FIRST, SECOND, THIRD], {"first": trouble}, "metar", NOW) == (FIRST, SECOND)


def test_a_blocked_feed_is_left_alone_and_the_next_one_asked() -> None:
    blocked = FeedHealth(blocked_until=NOW + timedelta(seconds=1))
    assert feeds_to_ask([FIRST, SECOND], {"first": blocked}, "metar", NOW) == (SECOND,)
    assert feeds_to_ask([FIRST, SECOND], {"first": blocked}, "metar", NOW + timedelta(seconds=2)) == (FIRST,)


def test_the_third_is_asked_only_when_both_before_it_are_in_trouble() -> None:
    trouble = FeedHealth(consecutive_failures=2)
    feeds = [FIRST, SECOND, THIRD]
    assert feeds_to_ask(feeds, {"second": trouble}, "metar", NOW) == (FIRST,)
    assert feeds_to_ask(feeds, {"first": trouble, "second": trouble}, "metar", NOW) == (FIRST, SECOND, THIRD)


def test_a_folder_is_always_asked_wherever_it_stands_and_stands_in_for_nobody() -> None:
    assert feeds_to_ask([FOLDER, FIRST, SECOND], {}, "metar", NOW) == (FOLDER, FIRST)
    assert feeds_to_ask([FIRST, SECOND, FOLDER], {}, "metar", NOW) == (FIRST, FOLDER)
    assert feeds_to_ask([FOLDER], {"folder": FeedHealth(consecutive_failures=4)}, "metar", NOW) == (FOLDER,)


def test_a_feed_without_tafs_is_passed_over_for_them() -> None:
    only_metar = NamedFeed("metars", brings=("metar",))
    assert feeds_to_ask([only_metar, SECOND], {}, "taf", NOW) == (SECOND,)
