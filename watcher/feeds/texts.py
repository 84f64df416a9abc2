"""Texts of many reports, such as bulletins and plain lines: taken when most of what is in them looks like reports."""

from __future__ import annotations

import re

from watcher.errors import FeedError
from watcher.feeds.model import RawReport
from watcher.feeds.rows import LEAST_YIELD
from watcher.reports.split import split_reports

# A station with a time, a validity or NIL. Forecasts of some countries have three letters, or no Z.
_LIKELY = re.compile(r"\b[A-Z][A-Z0-9]{2,3} (?:(?:TAF|AMD|COR) )?(?:\d{6}Z?\b|\d{4}/\d{4}\b|NIL\b)")
_LONGEST_REPORT = 4000


def reports_of_text(text: str) -> tuple[RawReport, ...]:
    """Return what the text holds, odd lines among reports too: those are shown as unreadable, one by one.

    Raises
    ------
    FeedError
        Less than half of it looks like reports.
    """
    reports = tuple(RawReport(piece, kind) for piece, kind in split_reports(text))
    likely = sum(len(r.text) <= _LONGEST_REPORT and _LIKELY.search(r.text) is not None for r in reports)
    if likely < LEAST_YIELD * len(reports):
        raise FeedError(f"only {likely} of the {len(reports)} texts in it look like reports")
    return reports
