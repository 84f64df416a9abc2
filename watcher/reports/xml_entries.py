"""The entries of a large XML document, one after another, with a bound on what stands in memory.

Nothing in a document can make the reader fetch or expand anything: no entities, no network, bounded depth and lengths.
An empty element takes thirty times its bytes as a tree, so a document is fed in portions, each entry is let go with all
that stands before it, and so many bytes without the end of an entry are refused.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from functools import lru_cache

from lxml import etree

from watcher.errors import NotIwxxm

# The longest of WMO's 78 examples of IWXXM has 11 kB.
MOST_BETWEEN = 1 << 20
_PORTION = 32 << 10


class XmlEntries:
    """One pass through a document.

    Parameters
    ----------
    body
        The whole document, unpacked, from its first sign on. Its size is the caller's to bound.
    entries
        The local names of what is yielded: the outermost elements of these names, each empty once the next is asked
        for.
    frames
        The local names of what may stand around them and should be noticed.

    Attributes
    ----------
    seen
        The local names of entries and frames that began so far.
    root_tag
        The tag of the outermost element, known at the end; empty before.
    """

    def __init__(self, body: bytes, entries: Collection[str], frames: Collection[str]) -> None:
        self._body = body
        self._entries = frozenset(entries)
        self._names = [f"{{*}}{name}" for name in (*entries, *frames)]
        self.seen: set[str] = set()
        self.root_tag = ""

    def __iter__(self) -> Iterator[etree._Element]:
        """Yield the entries.

        Raises
        ------
        NotIwxxm
            It has a DOCTYPE, or too much stands between two of them or inside one.
        lxml.etree.XMLSyntaxError
            The document is not well formed from here on.
        """
        parser = etree.XMLPullParser(
            events=("start", "end"),
            tag=self._names,
            resolve_entities=False,
            load_dtd=False,
            no_network=True,
            huge_tree=False,
            remove_comments=True,
            remove_pis=True,
        )
        depth = between = 0
        for start in range(0, len(self._body), _PORTION):
            error = _fed(parser, self._body[start : start + _PORTION])
            between += _PORTION
            events: Iterator[tuple[str, etree._Element]] = parser.read_events()  # type: ignore[assignment]
            for event, node in events:
                if not self.seen and node.getroottree().docinfo.internalDTD is not None:
                    raise NotIwxxm("it has a DOCTYPE, which no report needs; it was not read")
                name = local_name(node)
                self.seen.add(name)
                if name not in self._entries:
                    continue
                depth += 1 if event == "start" else -1
                if depth == 0:
                    yield node
                    between = 0
                    _forget(node)
            if error is not None:
                raise error
            if between > MOST_BETWEEN:
                raise NotIwxxm(f"{between} bytes of it hold no whole report")
        self.root_tag = str(parser.close().tag)


@lru_cache(maxsize=1024)
def local(tag: str) -> str:
    """Return a tag without its namespace. Tags repeat, so answers are kept."""
    return tag[tag.rfind("}") + 1 :]


def local_name(node: etree._Element) -> str:
    """Return the name of an element without its namespace."""
    return local(node.tag)


def _fed(parser: etree.XMLPullParser, portion: bytes) -> etree.XMLSyntaxError | None:
    """Feed a portion; return what was wrong in it, for what stands before that is still to be read."""
    try:
        parser.feed(portion)
    except etree.XMLSyntaxError as error:
        return error
    return None


def _forget(node: etree._Element) -> None:
    """Let go of an entry that was read, and of what stands before it on every level."""
    node.clear()
    for level in (node, *node.iterancestors()):
        parent = level.getparent()
        while parent is not None and level.getprevious() is not None:
            del parent[0]
