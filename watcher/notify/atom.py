"""Alerts as an Atom feed (RFC 4287): one entry for each alert, as it was told last, newest first."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from uuid import NAMESPACE_URL, uuid5

from lxml import etree

from watcher import __version__
from watcher.alerts.model import ENDINGS, Event
from watcher.notify import cap
from watcher.notify.message import CAUTION, Part, part_of
from watcher.notify.wording import plain
from watcher.units import iso_z

NAMESPACE = "http://www.w3.org/2005/Atom"
MEDIA_TYPE = "application/atom+xml"
# Common practice, no source: far above what readers show, and one answer stays below a megabyte.
MOST_ENTRIES = 500


@dataclass(frozen=True, slots=True)
class Entry:
    """One alert, or one time that a station was blind.

    `name`: the same for as long as it lasts, such as ``XNOR-17``. `since`: when it was told first. `event`: the last.
    """

    name: str
    since: datetime
    event: Event


@dataclass(frozen=True, slots=True)
class Addresses:
    """Where the reader of a feed finds what. `own`: the feed; `page` of a station code; `cap` of the id of an event."""

    own: str
    home: str
    page: Callable[[str], str]
    cap: Callable[[str], str]


def atom_feed(
    entries: Sequence[Entry], addresses: Addresses, *, subject: str, about: str, authority: str, empty_at: datetime
) -> bytes:
    """Return an Atom feed.

    Parameters
    ----------
    entries
        In any order. Where there are more than 500, those that ended are left out first, then the oldest; the feed
        says how many.
    addresses
        Where its links lead.
    subject
        What it is of, in a word that lasts: the code of the station, or ``all``.
    about
        The same for people.
    authority
        The host that the names of feed and entries begin with; it must stay the same (RFC 4151).
    empty_at
        When a feed without entries is said to have changed.
    """
    about = plain(about)
    shown = sorted(entries, key=lambda entry: (entry.event.type in ENDINGS, -entry.event.at.timestamp(), entry.name))
    shown = sorted(shown[:MOST_ENTRIES], key=lambda entry: entry.event.at, reverse=True)
    feed = etree.fromstring(f'<feed xmlns="{NAMESPACE}" xml:lang="en"/>')
    _text(feed, "id", uuid5(NAMESPACE_URL, f"https://{authority}/alerts/{subject}").urn)
    _text(feed, "title", f"Icing alerts: {about}")
    _text(feed, "subtitle", _subtitle(len(entries) - len(shown)))
    _text(feed, "updated", iso_z(changed_at(shown, empty_at)))
    _text(_child(feed, "author"), "name", "Hoarline")
    _text(feed, "generator", "Hoarline", version=__version__)
    _link(feed, "self", addresses.own, MEDIA_TYPE)
    _link(feed, "alternate", addresses.home, "text/html")
    for entry in shown:
        _put_entry(feed, entry, addresses, authority)
    document: bytes = etree.tostring(feed, xml_declaration=True, encoding="UTF-8", pretty_print=True)
    return document


def changed_at(entries: Iterable[Entry], empty_at: datetime) -> datetime:
    """Return when the last of the entries was told; `empty_at` without any."""
    return max((entry.event.at for entry in entries), default=empty_at)


def _subtitle(left_out: int) -> str:
    more = f" {left_out} more are not listed here: see the board." if left_out else ""
    return f"What stands, and what ended within a day.{more} {CAUTION}"


def _put_entry(feed: etree._Element, entry: Entry, addresses: Addresses, authority: str) -> None:
    part = part_of(entry.event, entry.event.at)
    node = _child(feed, "entry")
    _text(node, "id", f"tag:{authority},{entry.since.astimezone(UTC):%Y-%m-%d}:{entry.name}")
    _text(node, "title", part.headline)
    _text(node, "updated", iso_z(entry.event.at))
    _text(node, "published", iso_z(min(entry.since, entry.event.at)))
    _link(node, "alternate", addresses.page(part.body.station), "text/html")
    _link(node, "alternate", addresses.cap(entry.event.id), cap.MEDIA_TYPE)
    for word in _categories(part):
        _child(node, "category").set("term", word)
    _text(node, "summary", f"{part.headline}. {part.body.next_step} Why: {part.body.why} {CAUTION}")


def _categories(part: Part) -> Iterable[str]:
    """Yield what readers sort by: what kind of news, and flag and level of what still stands."""
    yield part.told_as.value
    if part.body.flag is not None:
        yield part.body.flag.value
    if part.body.level is not None and not part.ending:
        yield part.body.level.word


def _link(parent: etree._Element, relation: str, address: str, kind: str) -> None:
    link = _child(parent, "link")
    link.set("rel", relation)
    link.set("type", kind)
    link.set("href", address)


def _text(parent: etree._Element, name: str, text: str, **attributes: str) -> None:
    node = _child(parent, name)
    node.text = text
    for key, value in attributes.items():
        node.set(key, value)


def _child(parent: etree._Element, name: str) -> etree._Element:
    return etree.SubElement(parent, f"{{{NAMESPACE}}}{name}")
