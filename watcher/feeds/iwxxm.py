"""The reports of an IWXXM document, from a folder, a host or a broker: what may be judged, and what is left out.

What is marked as a test or an exercise is counted and left out, so that it can raise no alert. So is what has a date
that cannot be: XML brings its own year, and a report from next year would stand for ever.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import datetime, timedelta

from watcher.errors import FeedError, NotIwxxm
from watcher.feeds.model import RawReport
from watcher.feeds.rows import Rows, checked
from watcher.reports.iwxxm import XmlReport, read_document
from watcher.reports.model import Unreadable

# As for texts (`reports.dating`): a report may be a day ahead of this machine, and twelve days late.
_AHEAD = timedelta(days=1)
_PAST = timedelta(days=12)
# Some 10,000 stations report; a day of one of them is 48 reports.
MOST_REPORTS = 50_000


def read_iwxxm(body: bytes, now: datetime) -> Rows:
    """Return the reports of an IWXXM document: one report, or a bulletin of any length.

    Parameters
    ----------
    body
        The whole document, unpacked; its size is the caller's to bound.
    now
        The present, aware UTC: what is dated far from it is left out.

    Returns
    -------
    The reports, among them single ones that cannot be read, to be shown as such; `left_out` says in words what was not
    taken, and is not counted as rows.

    Raises
    ------
    FeedError
        It is no IWXXM document, one that must not be read, or most of its reports cannot be read.
    """
    try:
        rows = _rows(body, now)
    except NotIwxxm as error:
        raise FeedError(f"this is no IWXXM that can be read: {error}") from error
    return checked(rows)


def _rows(body: bytes, now: datetime) -> Rows:
    left_out: Counter[str] = Counter()
    unread = 0
    reports: list[RawReport] = []
    for number, report in enumerate(read_document(body, received_at=now)):
        if number == MOST_REPORTS:
            raise NotIwxxm(f"it holds more than {MOST_REPORTS} reports")
        reason = _why_left_out(report, now)
        if reason is not None:
            left_out[reason] += 1
            continue
        unread += isinstance(report.decoded, Unreadable)
        reports.append(RawReport(report.kept, report.kind, report.station, report.observed_at))
    return Rows(tuple(reports), len(reports), unread, tuple(_told(left_out)))


def _why_left_out(report: XmlReport, now: datetime) -> str | None:
    if report.usage is not None:
        return f"marked {report.usage}"
    at = report.observed_at
    if at is not None and not -_PAST <= at - now <= _AHEAD:
        return "dated far ahead of this machine's clock" if at > now else "long past"
    return None


def _told(left_out: Counter[str]) -> Iterator[str]:
    for reason, count in sorted(left_out.items()):
        yield f"{count} {'report is' if count == 1 else 'reports are'} {reason} and left out"
