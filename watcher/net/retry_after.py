"""The header by which an HTTP server asks to be left alone for a while."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime

_SECONDS = re.compile(r"\d{1,9}")


def parse_retry_after(value: str | None, now: datetime) -> float | None:
    """Return the seconds that a Retry-After header asks for; None when it is missing or cannot be read.

    Source: RFC 9110, 10.2.3: seconds, or an HTTP date.
    """
    if value is None:
        return None
    value = value.strip()
    if _SECONDS.fullmatch(value):
        return float(value)
    try:
        moment = parsedate_to_datetime(value)
        # RFC 9110, 5.6.7: a date without a zone is in GMT.
        moment = moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)
        return max(0.0, (moment - now).total_seconds())
    except (ValueError, OverflowError):
        return None
