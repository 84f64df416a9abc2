"""From the bytes of an IWXXM document to its reports, one XML element after another.

Nothing in a document can make the reader fetch or expand anything: a DOCTYPE or an entity declaration is refused before
a parser sees it, and the parser itself has no entities, no network and bounded depth and lengths. Reports stand alone
or in a bulletin (`collect:MeteorologicalBulletin`); they are found by their local names, whatever stands around them.

Sources: IWXXM schemas 3.0, 2021-2, 2023-1 and 2025-2 (WMO); WMO-No. 306, volume I.3, FM 205: UTF-8 (memory).
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from lxml import etree

from watcher.errors import NotIwxxm
from watcher.reports.xml_entries import XmlEntries

REPORT_NAMES = ("METAR", "SPECI", "TAF")

_SPACE = b"\xef\xbb\xbf \r\n\t"
_DECLARATION = re.compile(rb"<\?xml\s[^>]{0,200}?encoding\s*=\s*[\"']([^\"'>]{1,40})[\"']", re.IGNORECASE)
# All of them write ASCII as ASCII, so that what is refused below cannot hide.
_ENCODINGS = frozenset({b"utf-8", b"utf8", b"us-ascii", b"ascii", b"iso-8859-1"})
_REFUSED = re.compile(rb"<!\s*(DOCTYPE|ENTITY|ELEMENT|ATTLIST|NOTATION)", re.IGNORECASE)
_WEB_PAGE = re.compile(rb"<(?:!doctype\s+html|html)\b", re.IGNORECASE)
_WRONG_ENCODING = "its encoding is not UTF-8, ASCII or ISO-8859-1"
_BULLETIN = "MeteorologicalBulletin"


def looks_like_xml(body: bytes) -> bool:
    """Return whether the first sign in a body is that of XML (or of a web page)."""
    return body[:64].lstrip(_SPACE).startswith(b"<")


def report_elements(body: bytes) -> Iterator[etree._Element]:
    """Yield the METAR, SPECI and TAF elements of a document; each is empty once the next is asked for.

    Parameters
    ----------
    body
        The whole document, unpacked. Its size is the caller's to bound.

    Raises
    ------
    NotIwxxm
        It is no XML, a web page, XML without a place for reports, ends early, or has what no report needs: a DOCTYPE,
        entities, another encoding, nesting or length past any report. What was yielded before may be kept or not.
    """
    _refuse(body)
    entries = XmlEntries(body.lstrip(_SPACE), REPORT_NAMES, (_BULLETIN,))
    try:
        yield from entries
    except etree.XMLSyntaxError as error:
        raise NotIwxxm(_told(error, body)) from error
    if not entries.seen:
        raise NotIwxxm(f"no METAR, SPECI or TAF is in it; its root element is {_shown(entries.root_tag)}")


def namespace(node: etree._Element) -> str:
    """Return the namespace of an element; empty without one."""
    tag = node.tag
    return tag[1 : tag.rfind("}")] if isinstance(tag, str) and tag.startswith("{") else ""


def _refuse(body: bytes) -> None:
    """Refuse what is no plain XML before a parser sees it."""
    beginning = body[:4096].lstrip(_SPACE)
    if beginning.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise NotIwxxm(_WRONG_ENCODING)
    if not beginning.startswith(b"<"):
        raise NotIwxxm("it is no XML" if beginning else "it is empty")
    if _WEB_PAGE.search(beginning):
        raise NotIwxxm("it is a web page")
    declared = _DECLARATION.match(beginning)
    if b"\0" in body or (declared is not None and declared[1].lower() not in _ENCODINGS):
        raise NotIwxxm(_WRONG_ENCODING)
    found = _REFUSED.search(body)
    if found is not None:
        raise NotIwxxm(f"it declares a {found[1].decode().upper()}, which no report needs; it was not read")


def _told(error: etree.XMLSyntaxError, body: bytes) -> str:
    if not body.rstrip().endswith(b">"):
        return "it ends early"
    return f"the XML is not well formed: {_shown(error.msg or 'no reason given')}"


def _shown(text: str) -> str:
    return "".join(letter if letter.isprintable() else "?" for letter in text[:100])
