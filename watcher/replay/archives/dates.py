"""Month and year of reports whose texts have only a day and a time: from what stands beside them, never a clock."""

from __future__ import annotations

import re
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache

from watcher.reports.dating import WrongTime, nearest_date

_YEAR_MONTH = r"(?:19[4-9]\d|20\d\d)[-_./]{}(?:0[1-9]|1[0-2])"
# Where a year and a month begin anew, as in 2023-11_2024-01, is no day 20 and no hour 20.
_IN_NAME = re.compile(
    r"(?<!\d)(?P<year>19[4-9]\d|20\d\d)[-_./]?(?P<month>0[1-9]|1[0-2])"
    rf"(?:(?:[-_./](?!{_YEAR_MONTH.format('?')}))?(?P<day>0[1-9]|[12]\d|3[01])"
    rf"(?:[-_T./]?(?!{_YEAR_MONTH.format('')})\d{{2}}(?:[-_:.]?\d{{2}}){{0,2}}Z?)?)?(?!\d)"
)
_TIME = re.compile(
    r"(\d{4})[-/]?(\d{2})[-/]?(\d{2})[ T]?(\d{2}):?(\d{2})(?::?(\d{2})(?:[.,](\d{1,6})\d*)?)?"
    r"(?: ?(?:Z|UTC|[+-]00:?00))?"
)
_MONTH = re.compile(r"(\d{4})-(\d{2})")
# The time of a report, or of issue, not far from its beginning; some forecasts and older reports have no Z.
_IN_TEXT = re.compile(r"\b(\d{2})(\d{2})(\d{2})Z?\b")
_HEAD_LETTERS = 48
_ABOUT_A_DAY = timedelta(hours=36)
_DAY = timedelta(days=1)
# Years that reports of an archive can be of; a time of another year is a wrong one (common practice, no source).
YEARS = range(1930, 2101)
_FURTHEST_S = 4_102_444_800  # 2100-01-01; what is larger is milliseconds
# 1973-03-03; what is nearer to 1970 is a time of day, a day of some other count or a year (our own choice).
_NEAREST_S = 100_000_000
_NUMBER = int | float  # put together once: every time in a number is asked
_LARGEST = 100_000_000_000_000  # of 15 digits; no time is written so, and an integer of hundreds is no float
_DIGITS_OF_DATE = frozenset({8, 12, 14})
_FIRST_HOUR = 1_900_000_000  # 1900 with month, day and hour, or seconds until 2030-03-17
_DATE_AND_HOUR = re.compile(r"(?:19|20)\d\d(?:0[1-9]|1[0-2])(?:0[1-9]|[12]\d|3[01])(?:[01]\d|2[0-3])")


@dataclass(frozen=True, slots=True)
class Dated:
    """What gives month and year.

    `near`: a time less than half a month from the report's. `day`: the noon of the day that the reports are of, or of
    the evening before, or the morning after. `month`: (year, month), the reports are of that month, or of the evening
    before, or the morning after. `otherwise`: what counts where the day does not fit. None of them: an undated report
    is counted as a fault, not guessed.
    """

    near: datetime | None = None
    day: datetime | None = None
    month: tuple[int, int] | None = None
    otherwise: Dated | None = None

    @property
    def is_known(self) -> bool:
        """Whether it can date anything."""
        return self.near is not None or self.day is not None or self.month is not None

    @property
    def knows_a_month(self) -> bool:
        """Whether it dates something by a month alone."""
        if self.near is None and self.day is None:
            return self.month is not None
        return self.near is None and self.otherwise is not None and self.otherwise.knows_a_month

    def of(self, text: str) -> datetime | None:
        """Return a time near that of a report text; None when nothing gives one, or the month has no such day.

        Where the month has one and the evening before or the morning after too, it is that in the month.
        """
        return next(iter(self.times_of(text)), None)

    def times_of(self, text: str) -> tuple[datetime, ...]:
        """Return all times that may be near that of a report text: at the edges of a month there are two."""
        if self.near is not None:
            return (self.near,)
        if self.day is None:
            return self._about_month(text)
        found = self._on_day(text)
        if found is not None:
            return (found,)
        return () if self.otherwise is None else self.otherwise.times_of(text)

    def _on_day(self, text: str) -> datetime | None:
        match = _IN_TEXT.search(text, 0, _HEAD_LETTERS)
        assert self.day is not None
        if match is None:
            return self.day
        try:
            at = nearest_date(int(match[1]), int(match[2]), int(match[3]), self.day)
        except WrongTime:
            return self.day  # a time that does not exist, as the decoder says
        return at if abs(at - self.day) <= _ABOUT_A_DAY else None

    def _about_month(self, text: str) -> tuple[datetime, ...]:
        if self.month is None:
            return ()
        match = _IN_TEXT.search(text, 0, _HEAD_LETTERS)
        if match is None:
            # A text without a time is no report whatever the month, and the decoder says why.
            return (datetime(*self.month, 1, tzinfo=UTC),)
        return _times_about(*self.month, int(match[1]), min(int(match[2]), 23), min(int(match[3]), 59))


@lru_cache(maxsize=4096)
def _times_about(year: int, month: int, day: int, hour: int, minute: int) -> tuple[datetime, ...]:
    """Return the times of this day and hour in a month, on the day before it and on the day after it."""
    begins, ends = datetime(year, month, 1, tzinfo=UTC), datetime(*_next(year, month), 1, tzinfo=UTC)
    found = []
    for moment in (begins, begins - _DAY, ends):
        with suppress(ValueError):
            found.append(moment.replace(day=day, hour=hour, minute=minute))
    return tuple(at for at in found if begins - _DAY <= at < ends + _DAY)


def _next(year: int, month: int) -> tuple[int, int]:
    return (year, month + 1) if month < 12 else (year + 1, 1)


def month_of(text: str) -> Dated:
    """Return what a person wrote as ``2024-01``.

    Raises
    ------
    ValueError
        It is no month.
    """
    match = _MONTH.fullmatch(text)
    if match is None or not 1 <= int(match[2]) <= 12:
        raise ValueError(f'"{text}" is no month; write for example 2024-01')
    return Dated(month=(int(match[1]), int(match[2])))


def of_name(name: str) -> Dated:
    """Return what the name of a file says, else the folders that it lies in: 202401, 2024-01-05, 2024/01/05 and so on.

    Of the folders the last one with a date counts. Of several dates in one name: the later one where they are a day
    apart at most, or else their month; where they are of different months, the name dates nothing.
    """
    for part in (name.rsplit("/", 1)[-1], name):
        dates = [(match.start(), found) for match in _IN_NAME.finditer(part) if (found := _date_in(match)) is not None]
        if dates:
            begins = part.rfind("/", 0, dates[-1][0]) + 1
            return _of_dates([found for at, found in dates if at >= begins])
    return Dated()


def _date_in(match: re.Match[str]) -> Dated | None:
    year, month, day = int(match["year"]), int(match["month"]), match["day"]
    if day is None:
        return Dated(month=(year, month))
    try:
        return Dated(day=datetime(year, month, int(day), 12, tzinfo=UTC))
    except ValueError:
        return None


def _of_dates(dates: list[Dated]) -> Dated:
    days = [found.day for found in dates if found.day is not None]
    if len(days) == len(dates) and max(days) - min(days) <= _DAY:
        return Dated(day=max(days))
    months = {found.month if found.day is None else (found.day.year, found.day.month) for found in dates}
    return Dated(month=months.pop()) if len(months) == 1 else Dated()


@lru_cache(maxsize=65536)
def time_of(text: str) -> datetime | None:
    """Return a time as archives write it, None when it is none. Without a zone: UTC (common practice, no source)."""
    match = _TIME.fullmatch(text)
    if match is not None:
        *whole, fraction = match.groups("0")
        try:
            return datetime(*map(int, whole), int(fraction.ljust(6, "0")), tzinfo=UTC)  # type: ignore[misc, arg-type]
        except ValueError:
            return None
    try:
        moment = datetime.fromisoformat(text)
        return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
    except (ValueError, OverflowError):
        return None


def time_in(value: object) -> datetime | None:
    """Return the time in a JSON value or a cell: a text, a date, or a number.

    A number is read as 20240105, 202401050550 or 20240105055000 where it can be, else as seconds or milliseconds since
    1970. One near to 1970 is no time, nor one that may be 2024010505 as well as seconds.
    """
    if isinstance(value, str):
        return time_of(value)
    if isinstance(value, datetime):
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)
    if isinstance(value, date):
        return datetime(value.year, value.month, value.day, tzinfo=UTC)
    if isinstance(value, _NUMBER) and not isinstance(value, bool):
        return _time_in_number(value)
    return None


def _time_in_number(value: float) -> datetime | None:
    if _NEAREST_S <= value < _FIRST_HOUR:
        return datetime.fromtimestamp(value, UTC)
    if not abs(value) < _LARGEST:
        return None
    digits = str(int(value))
    if digits.startswith(("19", "20")) and value == int(value):
        if len(digits) in _DIGITS_OF_DATE:
            return time_of(digits)
        if _DATE_AND_HOUR.fullmatch(digits):
            return None
    seconds = value / 1000 if abs(value) > _FURTHEST_S else value
    try:
        return datetime.fromtimestamp(seconds, UTC) if abs(seconds) >= _NEAREST_S else None
    except (ValueError, OverflowError, OSError):
        return None
