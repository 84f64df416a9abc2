"""The header Retry-After, read as the standard writes it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.net.retry_after import parse_retry_after

NOW = datetime(2026, 1, 12, 5, 50, tzinfo=UTC)

# RFC 9110, 10.2.3 (both forms) and 5.6.7 (the three date forms; the date is its example).
RFC_DATE = datetime(1994, 11, 6, 8, 49, 37, tzinfo=UTC)


@pytest.mark.parametrize("value", [
    "Sun, 06 Nov 1994 08:49:37 GMT", "Sunday, 06-Nov-94 08:49:37 GMT", "Sun Nov  6 08:49:37 1994",
])  # fmt: skip
def test_retry_after_as_a_date_is_counted_from_now(value: str) -> None:
    assert parse_retry_after(value, RFC_DATE - timedelta(seconds=90)) == 90
    assert parse_retry_after(value, RFC_DATE + timedelta(seconds=90)) == 0


@pytest.mark.parametrize(("value", "seconds"), [("120", 120.0), (" 0 ", 0.0), (None, None), ("", None), ("-5", None),
                                                ("soon", None), ("1e9", None), ("9" * 400, None)])  # fmt: skip
def test_retry_after_in_seconds(value: str | None, seconds: float | None) -> None:
    assert parse_retry_after(value, NOW) == seconds


@given(st.text())
def test_no_retry_after_is_a_crash(value: str) -> None:
    seconds = parse_retry_after(value, NOW)
    assert seconds is None or seconds >= 0
