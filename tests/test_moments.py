"""Times as people write them on the command line."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from watcher.errors import UsageError
from watcher.moments import time_about, time_ahead, time_before

NOW = datetime(2026, 1, 12, 20, 5, tzinfo=UTC)
UNTIL = datetime(2026, 1, 13, 5, 40, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "hours"),
    [
        ("0540Z", 9 + 35 / 60),
        ("05:40z", 9 + 35 / 60),
        ("2006Z", 1 / 60),
        ("2005Z", 24.0),
        ("6h", 6.0),
        ("1h 30m", 1.5),
        ("30h", 30.0),
        ("2026-01-13T05:40Z", 9 + 35 / 60),
        ("2026-01-13T06:40:00+01:00", 9 + 35 / 60),
    ],
)
def test_a_departure_is_the_next_such_time_a_full_time_or_so_long_from_now(text, hours):
    assert time_ahead("--until", text, NOW) == NOW + timedelta(hours=hours)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("0540", "0540Z"),
        ("2460Z", "is no time"),
        ("tomorrow", "is no time"),
        ("", "is no time"),
        ("2026-01-13T05:40", "is no time"),
        ("2026-02-30T05:40Z", "is no time"),
        ("99999999999999d", "is no time"),
        ("0h", "is not ahead"),
        ("2026-01-12T20:05Z", "is not ahead"),
        ("2026-01-11T05:40Z", "2026-01-12T20:05:00Z"),
        ("31h", "at most 30 h"),
        ("2026-03-01T00:00Z", "at most 30 h"),
    ],
)
def test_a_departure_that_is_none_past_or_too_far_is_refused_with_what_is_allowed(text, said):
    with pytest.raises(UsageError) as refused:
        time_ahead("--until", text, NOW)
    assert said in str(refused.value)
    assert str(refused.value).startswith("--until:")


@pytest.mark.parametrize(
    ("text", "day", "hour"),
    [("0100Z", 13, 1), ("0540Z", 13, 5), ("0600Z", 12, 6), ("1830Z", 12, 18), ("2026-01-12T03:00Z", 12, 3)],
)
def test_what_happens_to_the_aircraft_is_taken_as_ahead_when_it_fits_before_the_departure_else_as_past(text, day, hour):
    moment = time_about("--treated", text, NOW, UNTIL)
    assert (moment.day, moment.hour) == (day, hour)
    assert moment <= UNTIL


@pytest.mark.parametrize("text", ["2026-01-13T06:00Z", "2026-01-11T12:00Z", "6h", "early"])
def test_what_happens_after_the_departure_or_days_ago_is_refused(text):
    with pytest.raises(UsageError, match="--treated"):
        time_about("--treated", text, NOW, UNTIL)


@pytest.mark.parametrize(
    ("text", "minutes"),
    [
        ("1959Z", 6),
        ("2005Z", 0),
        ("2006Z", 23 * 60 + 59),
        ("2026-01-12T19:05Z", 60),
        ("2026-01-11T20:05:00+01:00", 25 * 60),
    ],
)
def test_what_has_happened_is_the_last_such_time_or_a_full_time(text, minutes):
    assert time_before("--started", text, NOW) == NOW - timedelta(minutes=minutes)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("0512", "write 0512Z or 2026-01-12T05:12Z"),
        ("10m", "is no time"),
        ("2026-01-12T20:06Z", "is yet to come"),
        ("2026-01-10T20:05Z", "is 2 d ago"),
    ],
)
def test_what_has_not_happened_or_long_ago_is_refused(text, said):
    with pytest.raises(UsageError, match="--started") as refused:
        time_before("--started", text, NOW)
    assert said in str(refused.value)
