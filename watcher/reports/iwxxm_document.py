"""From the bytes of an IWXXM document to its reports, one XML element after another: hardened, and never as one tree.

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

REPORT_NAMES = ("METAR", "SPECI", "TAF")

_SPACE = b"\xef\xbb\xbf \r\n\t"
_DECLARATION = re.compile(rb"<\?xml\s[^>]{0,200}?encoding\s*=\s*[\"']([^\"'>]{1,40})[\"']", re.IGNORECASE)
# All of them write ASCII as ASCII, so that what is refused below cannot hide.
_ENCODINGS = frozenset({b"utf-8", b"utf8", b"us-ascii", b"ascii", b"iso-8859-1"})
_REFUSED = re.compile(rb"<!\s*(DOCTYPE|ENTITY|ELEMENT|ATTLIST|NOTATION)", re.IGNORECASE)
_WEB_PAGE = re.compile(rb"<(?:!doctype\s+html|html)\b", re.IGNORECASE)
# The longest of the 78 official and translated examples has 11 kB; an empty element takes a hundred times its bytes.
_MOST_UNREPORTED = 1 << 20
_PORTION = 32 << 10
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
        The whole document, unpacked. Its size is the caller's to bound; what stands in memory as a tree is bounded
        here, by the bytes from the end of one report to the end of the next.

    Raises
    ------
    NotIwxxm
        It is no XML, a web page, XML without a place for reports, ends early, or has what no report needs: a DOCTYPE,
        entities, another encoding, nesting or length past any report. What was yielded before may be kept or not.
    """
    _refuse(body)
    parser = etree.XMLPullParser(
        events=("start", "end"),
        tag=[f"{{*}}{name}" for name in (*REPORT_NAMES, _BULLETIN)],
        resolve_entities=False,
        load_dtd=False,
        no_network=True,
        huge_tree=False,
        remove_comments=True,
        remove_pis=True,
    )
    known = False
    outermost: etree._Element | None = None
    unreported = 0
    try:
        for portion in _portions(body):
            parser.feed(portion)
            unreported += len(portion)
            events: Iterator[tuple[str, etree._Element]] = parser.read_events()  # type: ignore[assignment]
            for event, node in events:
                known = True
                if local_name(node) == _BULLETIN:
                    continue
                if event == "start":
                    outermost = node if outermost is None else outermost
                elif outermost is not None and node is outermost:
                    yield node
                    outermost, unreported = None, 0
                    _forget(node)
            if unreported > _MOST_UNREPORTED:
                raise NotIwxxm(f"{unreported} bytes of it hold no whole report")
        root = parser.close()
    except etree.XMLSyntaxError as error:
        raise NotIwxxm(_told(error, body)) from error
    if not known:
        raise NotIwxxm(f"no METAR, SPECI or TAF is in it; its root element is {_shown(str(root.tag))}")


def _portions(body: bytes) -> Iterator[bytes]:
    # A parser that is fed less than four bytes first cannot tell the encoding.
    beginning = len(body) - len(body.lstrip(_SPACE))
    for start in range(beginning, len(body), _PORTION):
        yield body[start : start + _PORTION]


def local_name(node: etree._Element) -> str:
    """Return the name of an element without its namespace."""
    tag = node.tag
    return tag[tag.rfind("}") + 1 :] if isinstance(tag, str) else ""


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


def _forget(node: etree._Element) -> None:
    """Let go of a report that was read, and of what stands before it on every level."""
    node.clear()
    for level in (node, *node.iterancestors()):
        parent = level.getparent()
        while parent is not None and level.getprevious() is not None:
            del parent[0]
