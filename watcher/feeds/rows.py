"""What all files of many reports have in common: rows, of which most should be reports."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from watcher.errors import FeedError
from watcher.feeds.model import RawReport

LEAST_YIELD = 0.5
# A station's clock may be a little fast. Anything later is a wrong time and says nothing about the feed's age.
_CLOCK_TOLERANCE = timedelta(minutes=15)

_STATION = re.compile(r"[A-Z][A-Z0-9]{3}")
KINDS = frozenset({"METAR", "SPECI", "TAF"})


@dataclass(frozen=True, slots=True)
class Rows:
    """What was read from one file: the reports, and how many rows there were.

    `unread`: how many of the reports are there only to be shown as unreadable. `left_out`: in words, what was
    knowingly not taken and is no row.
    """

    reports: tuple[RawReport, ...]
    row_count: int
    unread: int = 0
    left_out: tuple[str, ...] = ()

    @property
    def yield_ratio(self) -> float:
        """Readable reports for each row; 1.0 when there were no rows."""
        return (len(self.reports) - self.unread) / self.row_count if self.row_count else 1.0

    def newest_at(self, now: datetime) -> datetime | None:
        """Return the time of the newest report that is not later than `now` allows; None without one."""
        limit = now + _CLOCK_TOLERANCE
        times = (report.observed_at for report in self.reports)
        return max((time for time in times if time is not None and time <= limit), default=None)


def report_of_row(text: str, station: str, time: str, kind: str) -> RawReport | None:
    """Return the report of one row; None when the row is none.

    Parameters
    ----------
    text, station, time, kind
        The raw text, the station's code, the ISO time of observation or issue, and the type, as the row has them.
        A type that is not METAR, SPECI or TAF is ignored.
    """
    if _STATION.fullmatch(station) is None or station not in text:
        return None
    try:
        observed_at = datetime.fromisoformat(time)
    except ValueError:
        return None
    if observed_at.tzinfo is None:
        return None
    if observed_at.tzinfo is not UTC:
        try:
            observed_at = observed_at.astimezone(UTC)
        except OverflowError:
            return None
    return RawReport(text.strip(), kind if kind in KINDS else None, station, observed_at)


def checked(rows: Rows) -> Rows:
    """Return the rows when at least half of them are reports.

    Raises
    ------
    FeedError
        Most rows are something else: the file's form has changed, or it is damaged.
    """
    if rows.yield_ratio < LEAST_YIELD:
        found = len(rows.reports) - rows.unread
        raise FeedError(f"only {found} of {rows.row_count} rows are reports: the form may have changed")
    return rows


def shown(text: str) -> str:
    """Return the beginning of a text from outside, fit to stand in a message."""
    return "".join(letter if letter.isprintable() else "?" for letter in text[:80])
