"""The bulk caches as XML. Read one report at a time, so that a large file never stands in memory as a tree.

Nothing in the file can make the reader fetch or expand anything: no entities, no network, and a DOCTYPE is refused.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import cast

from lxml import etree

from watcher.errors import FeedError, NotIwxxm
from watcher.feeds.model import RawReport, What
from watcher.feeds.rows import Rows, checked, report_of_row, shown
from watcher.reports.xml_entries import XmlEntries

_TAIL_BYTES = 64
_FORMS: dict[What, tuple[str, str]] = {"metar": ("METAR", "observation_time"), "taf": ("TAF", "issue_time")}


def parse_cache_xml(body: bytes, what: What) -> Rows:
    """Return the reports of a cache file.

    Parameters
    ----------
    body
        The unpacked file.
    what
        Which cache it should be.

    Raises
    ------
    FeedError
        It is no such file, is not well formed, ends early, has a DOCTYPE, or most of its entries are no reports.
    """
    found: list[RawReport] = []
    count = 0
    try:
        for _, report in cache_entries(body, what):
            count += 1
            if report is not None:
                found.append(report)
    except etree.XMLSyntaxError as error:
        if b"</response>" not in body[-_TAIL_BYTES:]:
            raise FeedError(f"the body ends early: the XML stops after {count} reports") from error
        raise FeedError(f"the XML is not well formed: {shown(error.msg or '')}") from error
    return checked(Rows(tuple(found), count))


def cache_entries(body: bytes, what: What) -> Iterator[tuple[int, RawReport | None]]:
    """Yield (line in the file, report) of each entry of a cache file, None for one that is no report.

    Raises
    ------
    FeedError
        It is no such file, or has a DOCTYPE.
    lxml.etree.XMLSyntaxError
        It is not well formed from here on.
    """
    element, time_field = _FORMS[what]
    for entry in _entries(body, element):
        yield cast("int | None", entry.sourceline) or 0, _report(entry, time_field, what)


def _entries(body: bytes, element: str) -> Iterator[etree._Element]:
    entries = XmlEntries(body.lstrip(b"\xef\xbb\xbf \r\n\t"), (element,), ("response",))
    try:
        yield from entries
    except NotIwxxm as error:
        raise FeedError(f"this is no {element} cache: {error}") from error
    if "response" not in entries.seen:
        raise FeedError(f"this is no {element} cache: the root element is {shown(entries.root_tag)}")


def _report(entry: etree._Element, time_field: str, what: What) -> RawReport | None:
    def field(name: str) -> str:
        return (entry.findtext(name) or "").strip()

    kind = "TAF" if what == "taf" else field("metar_type")
    return report_of_row(field("raw_text"), field("station_id"), field(time_field), kind)
