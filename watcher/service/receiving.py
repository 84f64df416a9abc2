"""From a feed's text to a report with what it says."""

from __future__ import annotations

from datetime import datetime

from watcher.feeds.model import Fetched, RawReport
from watcher.reports.decode import decode_report
from watcher.reports.identity import text_hash
from watcher.reports.model import Report, Unreadable


def received(fetched: Fetched) -> tuple[Report, ...]:
    """Return the reports that a feed brought, decoded. What cannot be read is among them as Unreadable."""
    return tuple(report_of(raw, fetched.feed, fetched.received_at) for raw in fetched.reports)


def report_of(raw: RawReport, feed: str, received_at: datetime) -> Report:
    """Return one report, decoded; the feed's own word for its kind and time helps where the text leaves them open."""
    decoded = decode_report(raw.text, received_at=received_at, kind=raw.kind, observed_at=raw.observed_at)
    # Two translations of a report into XML differ in their names for everything; the text made from them does not.
    is_xml = not isinstance(decoded, Unreadable) and decoded.source is not None
    return Report(decoded, text_hash(decoded.raw if is_xml else raw.text), feed, received_at)
