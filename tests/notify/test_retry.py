"""When a delivery is tried again, and which destinations are left alone meanwhile."""

from __future__ import annotations

from datetime import timedelta
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.notify.scenes import NOW
from watcher.notify.rest import Rests
from watcher.notify.retry import LONGEST_RETRY_AFTER, WAITS, next_due, wait_after

FAR = NOW + timedelta(days=2)


@pytest.mark.parametrize(
    ("attempts", "seconds"), [(1, 5), (2, 15), (3, 45), (4, 120), (5, 300), (6, 600), (7, 900), (50, 900)]
)
def test_the_first_waits_are_short_and_the_last_one_repeats(attempts: int, seconds: int) -> None:
    due = next_due(attempts, NOW, FAR, None, Random(1))
    assert due is not None
    assert seconds <= (due - NOW).total_seconds() <= 1.2 * seconds


def test_a_receiver_that_asks_for_patience_gets_it() -> None:
    assert wait_after(1, 600.0, Random(1)) >= timedelta(seconds=600)


def test_nobody_silences_an_alert_for_longer_than_an_hour() -> None:
    assert wait_after(1, 1e18, Random(1)) <= 1.2 * LONGEST_RETRY_AFTER


def test_a_message_that_would_be_worthless_by_then_is_given_up() -> None:
    assert next_due(4, NOW, NOW + timedelta(seconds=100), None, Random(1)) is None
    assert next_due(1, NOW, NOW + timedelta(seconds=100), None, Random(1)) is not None


@given(st.integers(1, 10_000), st.one_of(st.none(), st.floats(0, 1e30)), st.integers(0), st.integers(1, 100_000))
def test_a_next_attempt_is_later_than_now_and_within_the_messages_time(
    attempts: int, retry_after_s: float | None, seed: int, valid_s: int
) -> None:
    valid_until = NOW + timedelta(seconds=valid_s)
    due = next_due(attempts, NOW, valid_until, retry_after_s, Random(seed))
    assert due is None or NOW + WAITS[0] <= due < valid_until


def failing_once() -> Rests:
    rests = Rests(Random(1))
    assert rests.may_begin("desk")
    rests.failed("desk", NOW, None)
    rests.ended("desk")
    return rests


def test_a_destination_that_fails_rests_and_is_asked_again_with_one_message() -> None:
    rests = failing_once()
    assert rests.left_alone(NOW) == {"desk"}
    later = NOW + timedelta(seconds=7)
    assert rests.left_alone(later) == frozenset()
    assert rests.may_begin("desk")
    assert not rests.may_begin("desk")
    assert rests.left_alone(later) == {"desk"}


def test_a_destination_that_answers_again_gets_all_its_messages() -> None:
    rests = failing_once()
    rests.may_begin("desk")
    rests.answered("desk")
    rests.ended("desk")
    assert rests.left_alone(NOW) == frozenset()
    assert [rests.may_begin("desk") for _ in range(3)] == [True, True, True]


def test_each_failed_question_makes_the_rest_longer() -> None:
    rests = failing_once()
    later = NOW + timedelta(seconds=7)
    rests.failed("desk", later, None)
    assert rests.left_alone(later + timedelta(seconds=14)) == {"desk"}
    assert rests.left_alone(later + timedelta(seconds=19)) == frozenset()


def test_messages_that_fail_together_count_once() -> None:
    rests = Rests(Random(1))
    for _ in range(4):
        rests.failed("desk", NOW, None)
    assert rests.left_alone(NOW + timedelta(seconds=7)) == frozenset()
