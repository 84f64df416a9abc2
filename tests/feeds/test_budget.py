"""How often a host may be asked. Time is given, chance is seeded."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.feeds.budget import Budgets, HostBudget

NOW = datetime(2026, 1, 12, 5, 50, tzinfo=UTC)


def budget(per_minute: int = 3) -> HostBudget:
    return HostBudget(per_minute, Random(7))


def test_a_host_may_be_asked_so_many_times_in_a_minute_and_then_waits() -> None:
    host = budget(3)
    for second in (0, 10, 20):
        assert host.wait_s(NOW + timedelta(seconds=second)) == 0
        host.asked(NOW + timedelta(seconds=second))
    assert host.wait_s(NOW + timedelta(seconds=25)) == 35
    assert host.wait_s(NOW + timedelta(seconds=60)) == 0


@given(st.lists(st.floats(0, 30), max_size=60), st.integers(1, 5))
def test_no_minute_ever_holds_more_requests_than_the_budget(gaps: list[float], per_minute: int) -> None:
    host, now, asked = budget(per_minute), NOW, []
    for gap in gaps:
        now += timedelta(seconds=gap)
        if host.wait_s(now) == 0:
            host.asked(now)
            asked.append(now)
    for first in asked:
        assert sum(first <= other < first + timedelta(minutes=1) for other in asked) <= per_minute


def test_a_clock_set_back_an_hour_does_not_lock_the_host_out() -> None:
    host = budget(1)
    host.asked(NOW)
    host.failed(NOW)
    host.refused(NOW, 900.0)
    before = NOW - timedelta(hours=1)
    assert host.wait_s(before) == 0
    host.asked(before)
    assert host.wait_s(before + timedelta(seconds=20)) == 40, "from then on it is as careful as ever"


@pytest.mark.parametrize(("asked_for", "least", "most"), [(None, 60, 72), (5.0, 60, 72), (120.0, 120, 144)])
def test_a_refusal_is_kept_for_a_minute_or_as_long_as_asked(asked_for: float | None, least: int, most: int) -> None:
    host = budget()
    wait_s = host.refused(NOW, asked_for)
    assert least <= wait_s <= most
    assert host.wait_s(NOW) == pytest.approx(wait_s)
    assert host.wait_s(NOW + timedelta(seconds=wait_s)) == 0


def test_a_host_cannot_send_us_away_for_days() -> None:
    assert budget().refused(NOW, 1e9) <= 1.2 * 6 * 3600


def test_failures_wait_longer_each_time_up_to_five_minutes() -> None:
    host = budget()
    waits = [host.failed(NOW) for _ in range(12)]
    for wait_s, plain in zip(waits, [5, 10, 20, 40, 80, 160, 300, 300, 300, 300, 300, 300], strict=True):
        assert plain <= wait_s <= 1.2 * plain


def test_what_a_host_asked_for_holds_whatever_other_requests_under_way_bring() -> None:
    for happens in (HostBudget.answered, lambda host: host.failed(NOW)):
        host = budget()
        host.refused(NOW, 120.0)
        happens(host)
        assert host.wait_s(NOW) >= 120


def test_an_answer_ends_the_waiting() -> None:
    host = budget()
    host.failed(NOW)
    host.failed(NOW)
    host.answered()
    assert host.wait_s(NOW) == 0
    assert host.failed(NOW) <= 6


def test_many_watchers_do_not_come_back_together() -> None:
    waits = {round(HostBudget(3, Random(seed)).refused(NOW, 60.0)) for seed in range(50)}
    assert len(waits) > 8


def test_two_feeds_of_one_host_share_its_budget() -> None:
    budgets = Budgets(Random(1))
    assert budgets.of("Feed.Example:443") is budgets.of("feed.example:443")
    assert budgets.of("other.example") is not budgets.of("feed.example:443")
