"""XML: the bulk caches and IWXXM documents, entry by entry up to where the document is damaged."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

from lxml import etree

from watcher.errors import FeedError, NotIwxxm
from watcher.feeds.cache_xml import cache_entries
from watcher.replay.archives.blocks import Block
from watcher.replay.archives.entries import Entry, Notes, entry_of
from watcher.reports.iwxxm import XmlReport, read_document
from watcher.reports.model import Unreadable

# Stands for a month and year that are not known, where a text inside XML needs one. No report is so old.
_NEVER = datetime(1904, 1, 15, tzinfo=UTC)
_NEAR_NEVER = timedelta(days=60)


def xml_entries(block: Block, notes: Notes) -> Iterator[Entry]:
    """Yield the entries of a bulk cache or of an IWXXM document."""
    body = block.body.lstrip(b"\xef\xbb\xbf \r\n\t")
    yield from _of_cache(block, body, notes) if b"<response" in body[:2048] else _of_document(block, body, notes)


def _of_cache(block: Block, body: bytes, notes: Notes) -> Iterator[Entry]:
    try:
        for line, report in cache_entries(body):
            notes.lines += 1
            if report is None:
                notes.reject(line, "an entry without a report text that fits its station and time")
                continue
            yield entry_of(line, report.text, report.kind, report.observed_at, block.dated)
    except etree.XMLSyntaxError as error:
        told = f"the XML is damaged here ({(error.msg or '')[:80]})"
        notes.fault(error.lineno or None, "form", f"{told}; what stands after it is left out")
    except FeedError as error:
        notes.fault(None, "form", str(error))


def _of_document(block: Block, body: bytes, notes: Notes) -> Iterator[Entry]:
    """Yield the reports of IWXXM, numbered by their place in the document."""
    number = 0
    try:
        for number, report in enumerate(read_document(body, received_at=block.dated.of("") or _NEVER), 1):
            notes.lines += 1
            if report.usage is not None:
                notes.reject(number, f"marked {report.usage}; left out")
            elif isinstance(report.decoded, Unreadable):
                notes.reject(number, report.decoded.error)
            else:
                yield Entry(number, report.kept, report.kind, _near(report, block))
    except NotIwxxm as error:
        what = (
            f"no XML of reports: {error}" if not number else f"{error}; what stands after report {number} is left out"
        )
        notes.fault(number or None, "form", what)


def _near(report: XmlReport, block: Block) -> datetime | None:
    at = report.observed_at
    if at is None or abs(at - _NEVER) < _NEAR_NEVER:
        return block.dated.of(report.kept)
    return at
