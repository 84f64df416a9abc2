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
from watcher.reports.xml_entries import XmlEntries, local_name

_TAIL_BYTES = 64
_ELEMENTS: dict[What, str] = {"metar": "METAR", "taf": "TAF"}


def parse_cache_xml(body: bytes, what: What | None = None) -> Rows:
    """Return the reports of a cache file.

    Parameters
    ----------
    body
        The unpacked file.
    what
        Of which of its elements, `<METAR>` or `<TAF>`; None: of both.

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


def cache_entries(body: bytes, what: What | None = None) -> Iterator[tuple[int, RawReport | None]]:
    """Yield (line in the file, report) of each entry of a cache file, None for one that is no report.

    Parameters
    ----------
    body
        The unpacked file.
    what
        Of which of its elements, `<METAR>` or `<TAF>`; None: of both, in the order of the file.

    Raises
    ------
    FeedError
        It is no such file, or has a DOCTYPE.
    lxml.etree.XMLSyntaxError
        It is not well formed from here on.
    """
    elements = tuple(_ELEMENTS.values()) if what is None else (_ELEMENTS[what],)
    for entry in _entries(body, elements):
        yield cast("int | None", entry.sourceline) or 0, _report(entry)


def _entries(body: bytes, elements: tuple[str, ...]) -> Iterator[etree._Element]:
    entries = XmlEntries(body.lstrip(b"\xef\xbb\xbf \r\n\t"), elements, ("response",))
    cache = f"{' or '.join(elements)} cache"
    try:
        yield from entries
    except NotIwxxm as error:
        raise FeedError(f"this is no {cache}: {error}") from error
    if "response" not in entries.seen:
        raise FeedError(f"this is no {cache}: the root element is {shown(entries.root_tag)}")


def _report(entry: etree._Element) -> RawReport | None:
    def field(name: str) -> str:
        return (entry.findtext(name) or "").strip()

    is_taf = local_name(entry) == "TAF"
    time, kind = (field("issue_time"), "TAF") if is_taf else (field("observation_time"), field("metar_type"))
    return report_of_row(field("raw_text"), field("station_id"), time, kind)
