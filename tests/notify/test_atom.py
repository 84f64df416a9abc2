"""The Atom feed as a feed reader takes it (feedparser), and against the requirements of RFC 4287, section by section."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import feedparser
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from tests.notify.scenes import BODY, NOW
from watcher.alerts.model import Event, EventBody, EventType, SubjectKind
from watcher.notify.atom import MOST_ENTRIES, Addresses, Entry, atom_feed
from watcher.notify.message import CAUTION
from watcher.notify.samples import HOSTILE

ATOM = {"a": "http://www.w3.org/2005/Atom"}
HOME = "https://ice.example.org"
ADDRESSES = Addresses(
    own=f"{HOME}/feed/sealed/alerts.atom",
    home=f"{HOME}/stations/XNOR",
    page=lambda station: f"{HOME}/stations/{station}",
    cap=lambda event: f"{HOME}/feed/sealed/cap/{event}.xml",
)
EMPTY_AT = datetime.fromisoformat("2026-01-12T00:00:00Z")
# RFC 3339, section 5.6, with the upper-case T and Z that RFC 4287, section 3.3, asks for.
DATE = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)")
# RFC 4151, section 2.1, and RFC 8141 with RFC 9562.
TAG = re.compile(r"tag:[a-z0-9.-]+,\d{4}-\d\d-\d\d:[A-Za-z0-9:/.-]+")
UUID = re.compile(r"urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-5[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}")


def entry(number: int = 17, type_: EventType = EventType.RAISED, minutes: float = 0, **said: Any) -> Entry:
    body: EventBody = replace(BODY, **said)
    event = Event(SubjectKind.EPISODE, f"XNOR-{number}", 2, type_, NOW + timedelta(minutes=minutes), body)
    return Entry(event.subject_id, NOW - timedelta(minutes=10), event)


def made(entries: Sequence[Entry], about: str = "XNOR Northby") -> bytes:
    return atom_feed(
        entries,
        ADDRESSES,
        subject=about.partition(" ")[0],
        about=about,
        authority="ice.example.org",
        empty_at=EMPTY_AT,
    )


def held_to_the_rfc(document: bytes) -> etree._Element:
    """Check what RFC 4287 says with MUST of feeds, entries and the constructs in them."""
    feed = etree.fromstring(document)
    assert feed.tag == "{http://www.w3.org/2005/Atom}feed"
    for node in [feed, *feed.iterfind("a:entry", ATOM)]:
        # 4.1.1 and 4.1.2: exactly one id, title and updated.
        for name in ("id", "title", "updated"):
            assert len(node.findall(f"a:{name}", ATOM)) == 1
        # 3.3 and 4.2.6: dates as of RFC 3339, ids as absolute IRIs.
        for name in ("updated", "published"):
            assert all(DATE.fullmatch(date.text) for date in node.findall(f"a:{name}", ATOM))
        name = node.findtext("a:id", None, ATOM)
        assert TAG.fullmatch(name) or UUID.fullmatch(name)
        # 4.1.1, 4.1.2: no two alternate links of the same type and language.
        links = node.findall("a:link[@rel='alternate']", ATOM)
        kinds = [(link.get("type"), link.get("hreflang")) for link in links]
        assert len(kinds) == len(set(kinds)) > 0
        # 4.2.7: a link has an address; 4.2.7.3: its type is a media type.
        for link in node.findall("a:link", ATOM):
            assert link.get("href").startswith(HOME)
            assert re.fullmatch(r"[a-z]+/[a-z+]+", link.get("type"))
        # 4.2.2: a category has a term.
        assert all(category.get("term") for category in node.findall("a:category", ATOM))
    # 4.1.1: an author where its entries have none; 4.2.1: a person has one name.
    assert [author.findtext("a:name", None, ATOM) for author in feed.findall("a:author", ATOM)] == ["Hoarline"]
    # 4.1.1: a feed should link to itself. 4.1.1.1: entries with one id would be one entry.
    assert len(feed.findall("a:link[@rel='self']", ATOM)) == 1
    ids = [node.findtext("a:id", None, ATOM) for node in feed.findall("a:entry", ATOM)]
    assert len(ids) == len(set(ids))
    return feed


def read(document: bytes) -> Any:
    held_to_the_rfc(document)
    parsed = feedparser.parse(document)
    assert not parsed.bozo
    assert parsed.version == "atom10"
    return parsed


def test_a_reader_sees_what_happened_what_to_do_and_where_to_look() -> None:
    parsed = read(made([entry()]))
    assert parsed.feed.title == "Icing alerts: XNOR Northby"
    assert CAUTION in parsed.feed.subtitle
    (seen,) = parsed.entries
    assert seen.title == BODY.headline
    assert seen.id == "tag:ice.example.org,2026-01-12:XNOR-17"
    assert seen.updated == parsed.feed.updated == "2026-01-12T06:02:30Z"
    assert seen.published == "2026-01-12T05:52:30Z"
    for text in (BODY.headline, BODY.next_step, BODY.why, CAUTION):
        assert text in seen.summary
    assert {link.type: link.href for link in seen.links} == {
        "text/html": f"{HOME}/stations/XNOR",
        "application/cap+xml": f"{HOME}/feed/sealed/cap/XNOR-17.2.xml",
    }
    assert [tag.term for tag in seen.tags] == ["icing.episode.raised", "freezing-precipitation", "treat"]


def test_an_alert_stays_one_entry_from_the_first_message_to_the_end() -> None:
    told = [entry(type_=EventType.OPENED), entry(minutes=20), entry(type_=EventType.CLOSED, minutes=90)]
    parsed = [read(made([one])).entries[0] for one in told]
    assert len({seen.id for seen in parsed}) == 1
    assert len({seen.updated for seen in parsed}) == 3
    assert len({seen.published for seen in parsed}) == 1
    # What is over has no level any more: readers that filter by it let go.
    assert [tag.term for tag in parsed[2].tags] == ["icing.episode.closed", "freezing-precipitation"]


def test_the_newest_comes_first() -> None:
    parsed = read(made([entry(1, minutes=3), entry(2, minutes=9), entry(3, minutes=1)]))
    assert [seen.id.rpartition(":")[2] for seen in parsed.entries] == ["XNOR-2", "XNOR-1", "XNOR-3"]
    assert parsed.feed.updated == "2026-01-12T06:11:30Z"


def test_a_feed_without_alerts_is_a_feed() -> None:
    parsed = read(made([]))
    assert parsed.entries == []
    assert parsed.feed.updated == "2026-01-12T00:00:00Z"


def test_a_station_has_the_same_feed_for_ever_and_no_other_has_it() -> None:
    ids = [
        read(made(entries, about)).feed.id
        for entries, about in (([], "XNOR"), ([entry()], "XNOR Northby"), ([], "XBAY"))
    ]
    assert ids[0] == ids[1] != ids[2]


def test_what_stands_is_left_out_last_and_the_feed_says_so() -> None:
    old = [entry(number, minutes=-600) for number in range(1, 301)]
    over = [entry(number, EventType.CLOSED, minutes=number / 10) for number in range(301, 601)]
    parsed = read(made(old + over))
    names = {seen.id.rpartition(":")[2] for seen in parsed.entries}
    assert len(names) == MOST_ENTRIES
    assert {one.name for one in old} <= names
    assert {one.name for one in over[100:]} <= names
    assert "100 more are not listed here" in parsed.feed.subtitle
    assert "more are not listed" not in read(made(old)).feed.subtitle


def test_hostile_texts_stay_texts() -> None:
    said = {"headline": HOSTILE, "next_step": "<script>alert(1)</script>\x00\x1b", "name": "]]>", "why": "&amp;\ufffe"}
    feed = held_to_the_rfc(made([entry(**said)], about="<b>\x07"))
    node = feed.find("a:entry", ATOM)
    assert node.findtext("a:title", None, ATOM) == " ".join(HOSTILE.split())
    assert "<script>alert(1)</script>" in node.findtext("a:summary", None, ATOM)
    # 3.1.1: without a type a text is plain, so no reader takes it for markup.
    assert all(text.get("type") is None and len(text) == 0 for text in node.iterfind("a:summary", ATOM))


@given(
    st.lists(
        st.tuples(st.sampled_from(EventType), st.text(max_size=20), st.text(max_size=20), st.integers(-999, 999)),
        max_size=6,
    )
)
def test_whatever_was_told_is_a_feed(told: list[tuple[EventType, str, str, int]]) -> None:
    entries = [
        entry(number, type_, minutes, headline=headline, why=why)
        for number, (type_, headline, why, minutes) in enumerate(told)
    ]
    feed = held_to_the_rfc(made(entries))
    assert len(feed.findall("a:entry", ATOM)) == len(told)
    # 4.2.9 with 4.2.15: nothing is published after it was updated.
    for node in feed.findall("a:entry", ATOM):
        assert node.findtext("a:published", None, ATOM) <= node.findtext("a:updated", None, ATOM)
