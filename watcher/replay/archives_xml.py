"""The bulk caches as XML, entry by entry up to where the document is damaged."""

from __future__ import annotations

from collections.abc import Iterator

from lxml import etree

from watcher.errors import FeedError
from watcher.feeds.cache_xml import cache_entries
from watcher.feeds.model import What
from watcher.replay.archives_blocks import Block
from watcher.replay.archives_entries import Entry, Notes


def xml_entries(block: Block, notes: Notes) -> Iterator[Entry]:
    """Yield the entries of a bulk cache."""
    what: What = "taf" if b"<TAF>" in block.body else "metar"
    try:
        for line, report in cache_entries(block.body.lstrip(b"\xef\xbb\xbf \r\n\t"), what):
            notes.lines += 1
            if report is None:
                notes.reject(line, "an entry without a report text that fits its station and time")
                continue
            yield Entry(line, report.text, report.kind, report.observed_at or block.dated.of(report.text))
    except etree.XMLSyntaxError as error:
        told = f"the XML is damaged here ({(error.msg or '')[:80]})"
        notes.fault(error.lineno or None, "form", f"{told}; what stands after it is left out")
    except FeedError as error:
        notes.fault(None, "form", str(error))
