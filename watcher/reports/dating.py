"""From a day of the month and a time of day to a date, against the time of receipt and never the machine's clock."""

from __future__ import annotations

from contextlib import suppress
from datetime import UTC, datetime, timedelta
from functools import lru_cache

_AHEAD = timedelta(days=1)
_PAST = timedelta(days=12)
# The same day of two months is 28 days apart at least.
_CERTAINLY_NEAREST = timedelta(days=13)


class WrongTime(ValueError):
    """The time does not exist or is too far from the time of receipt."""


def nearest_date(day: int, hour: int, minute: int, near: datetime) -> datetime:
    """Return the time nearest to `near` that has this day of the month; hour 24 is midnight at its end.

    Raises
    ------
    WrongTime
        No month near `near` has such a time.
    """
    if not (1 <= day <= 31 and 0 <= minute <= 59 and (0 <= hour <= 23 or (hour == 24 and minute == 0))):
        raise WrongTime(f"{day:02d}{hour:02d}{minute:02d}: there is no such time")
    midnights = _midnights(day, near.year, near.month)
    if not midnights:
        raise WrongTime(f"{day:02d}{hour:02d}{minute:02d}: no month near {near:%Y-%m} has such a day")
    past_midnight = timedelta(hours=hour, minutes=minute)
    nearest = midnights[0] + past_midnight
    if len(midnights) > 1 and abs(nearest - near) > _CERTAINLY_NEAREST:
        nearest = min((midnight + past_midnight for midnight in midnights), key=lambda date: abs(date - near))
    return nearest


@lru_cache(maxsize=256)
def _midnights(day: int, year: int, month: int) -> tuple[datetime, ...]:
    """Return the beginnings of this day of the month in the month, then in the one before and the one after."""
    found = []
    for months in (0, -1, 1):
        other_year, month0 = divmod(year * 12 + month - 1 + months, 12)
        with suppress(ValueError):
            found.append(datetime(other_year, month0 + 1, day, tzinfo=UTC))
    return tuple(found)


# The reports of one time of day come together, and an archive has thousands of them.
@lru_cache(maxsize=4096)
def report_date(ddhhmm: str, received_at: datetime) -> datetime:
    """Return when a report was made; `ddhhmm`: its day of the month, hour and minute, six digits.

    Raises
    ------
    WrongTime
        No such time, more than a day after the receipt, or more than 12 days before it.
    """
    date = nearest_date(int(ddhhmm[:2]), int(ddhhmm[2:4]), int(ddhhmm[4:]), received_at)
    if -_PAST <= date - received_at <= _AHEAD:
        return date
    if date > received_at:
        raise WrongTime(f"{date:%d%H%M}Z is more than a day after the report was received")
    raise WrongTime(f"{date:%d%H%M}Z is long before the report was received ({received_at:%Y-%m-%d})")


def last_before(hour: int | None, minute: int, moment: datetime) -> datetime | None:
    """Return the last such time at or before `moment`; without an hour, within the past hour. None if there is none."""
    if minute > 59 or (hour is not None and hour > 23):
        return None
    if hour is None:
        date = moment.replace(minute=minute, second=0, microsecond=0)
        return date if date <= moment else date - timedelta(hours=1)
    date = moment.replace(hour=hour, minute=minute, second=0, microsecond=0)
    return date if date <= moment else date - timedelta(days=1)
