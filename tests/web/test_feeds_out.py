"""Feeds, calendars and CAP documents as their readers fetch them: in the API with a token, and behind signed links."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from datetime import timedelta
from email.utils import parsedate_to_datetime
from urllib.parse import urlsplit

import feedparser
import icalendar
import pytest
from lxml import etree

from tests.web.scenes import (
    DRIZZLE,
    DRIZZLE_BODY,
    KEY,
    MINUTE,
    NOW,
    bare,
    ended,
    fill,
    put,
    served,
)
from tests.web.test_api import refused
from watcher.alerts.changes import Changes, StationChange
from watcher.alerts.model import Event, EventBody, EventType, StationState, StationView, SubjectKind
from watcher.links import ALL, LinkMaker
from watcher.reports.station import Station
from watcher.rulebook.words import Kind, Level

pytestmark = pytest.mark.anyio
CAP = "{urn:oasis:names:tc:emergency:cap:1.2}"
PATHS = (
    "/api/v1/alerts.atom",
    "/api/v1/stations/XNOR/alerts.atom",
    "/api/v1/stations/XNOR/expected.ics",
    "/api/v1/events/XNOR-1.1/cap.xml",
)
KINDS = {"atom": "application/atom+xml", "ics": "text/calendar; charset=utf-8", "xml": "application/cap+xml"}


def sight(store, station: str, *types: EventType) -> None:
    """Keep the blindness of a station, event by event."""
    body = EventBody(station, None, None, f"{station} {types[-1].value}", "why", "next", begins_at=NOW - 20 * MINUTE)
    events = [
        Event(SubjectKind.STATION, station, seq, type_, NOW - (20 - seq) * MINUTE, body)
        for seq, type_ in enumerate(types, 1)
    ]
    blind_since = NOW - 20 * MINUTE if types[-1] is EventType.BLIND else None
    view = StationView(Station(station), StationState(station, version=1, blind_since=blind_since, seq=len(events)))
    store.commit(Changes(NOW, (StationChange(station, 0, view, events=tuple(events)),)))


async def get(site, path: str, **headers: str):
    answer = await site.client.get(path if path.startswith("http") else site.origin + path, headers=headers)
    assert answer.status_code == 200, answer.text
    return answer


async def test_a_token_that_may_read_reads_all_forms(site, store):
    fill(store)
    for path in PATHS:
        answer = await get(site, path, **site.token("read", name=path))
        assert answer.headers["content-type"] == KINDS[path.rpartition(".")[2]]
        assert answer.headers["x-content-type-options"] == "nosniff"
        refused(await site.client.get(site.origin + path), 401)
        refused(await site.client.get(site.origin + path, headers=site.token("manage", name=f"m{path}")), 403)


async def test_a_feed_of_all_tells_every_alert_and_links_to_its_message(site, store):
    fill(store)
    token = site.token("read")
    parsed = feedparser.parse((await get(site, PATHS[0], **token)).content)
    assert not parsed.bozo
    names = {entry.id.rpartition(":")[2]: entry for entry in parsed.entries}
    assert set(names) == {"XNOR-1", "XNOR-2", "XBAY-1", "XFEL-1", "XMOR-1"}
    links = {link.type: link.href for link in names["XBAY-1"].links}
    assert links["text/html"] == f"{site.origin}/stations/XBAY"
    message = etree.fromstring((await get(site, links["application/cap+xml"], **token)).content)
    assert message.findtext(f"{CAP}info/{CAP}severity") == "Extreme"
    assert parsed.feed.title == "Icing alerts: all stations"


async def test_a_feed_of_a_station_tells_of_it_alone(site, store):
    fill(store)
    parsed = feedparser.parse((await get(site, PATHS[1], **site.token("read"))).content)
    assert {entry.id.rpartition(":")[2] for entry in parsed.entries} == {"XNOR-1", "XNOR-2"}
    assert parsed.feed.links[0].href == f"{site.origin}{PATHS[1]}"


async def test_blindness_stands_in_the_feed(site, store):
    """An empty feed of a blind station would read as clear weather."""
    sight(store, "XTAR", EventType.BLIND)
    sight(store, "XFEL", EventType.BLIND, EventType.SEEING)
    token = site.token("read")
    parsed = feedparser.parse((await get(site, PATHS[0], **token)).content)
    told = {entry.id.rpartition(":")[2]: [tag.term for tag in entry.tags] for entry in parsed.entries}
    assert told["XTAR-blind-0540Z"] == ["icing.station.blind"]
    assert told["XFEL-blind-0540Z"] == ["icing.station.seeing"]


async def test_a_calendar_tells_periods_with_the_blindness_of_their_station(site, store):
    ahead = replace(DRIZZLE, kind=Kind.EXPECTED, began_at=NOW + 60 * MINUTE, until=NOW + 90 * MINUTE)
    put(store, ahead)
    body = EventBody("XNOR", None, None, "XNOR blind", "why", "next", begins_at=NOW - MINUTE)
    event = Event(SubjectKind.STATION, "XNOR", 1, EventType.BLIND, NOW, body)
    view = StationView(Station("XNOR"), StationState("XNOR", version=2, blind_since=NOW - MINUTE, seq=1))
    store.commit(Changes(NOW, (StationChange("XNOR", 1, view, events=(event,)),)))
    answer = await get(site, PATHS[2], **site.token("read"))
    assert answer.headers["content-disposition"] == 'inline; filename="expected-XNOR.ics"'
    (entry,) = icalendar.Calendar.from_ical(answer.content).walk("VEVENT")
    assert (entry.decoded("DTSTART"), entry.decoded("DTEND")) == (NOW + 60 * MINUTE, NOW + 90 * MINUTE)
    assert entry["SUMMARY"] == "XNOR treat expected: freezing precipitation, station blind"


async def test_what_stands_reaches_past_the_present_and_changes_with_the_quarter_of_an_hour(store):
    put(store, DRIZZLE)
    tags = {}
    for minutes, ends_at in ((0, 15), (14, 15), (15, 30), (50, 60)):
        now = NOW + minutes * MINUTE
        async with served(store, public_url="https://ice.example.org", now=now) as site:
            path = urlsplit(LinkMaker("https://ice.example.org", KEY).feed("XNOR").expected).path
            answer = await get(site, path)
            (entry,) = icalendar.Calendar.from_ical(answer.content).walk("VEVENT")
            assert entry.decoded("DTEND") == NOW + ends_at * MINUTE > now
            assert parsedate_to_datetime(answer.headers["last-modified"]) == NOW + (ends_at - 15) * MINUTE
            tags[minutes] = answer.headers["etag"]
            known = await site.client.get(site.origin + path, headers={"If-None-Match": tags[minutes]})
            assert known.status_code == 304
    assert tags[0] == tags[14]
    assert len(set(tags.values())) == 3


async def test_what_ended_a_day_ago_is_gone_from_feed_and_calendar(store):
    put(store, ended(), type_=EventType.CLOSED)
    for now, there in ((NOW + timedelta(hours=24), 1), (NOW + timedelta(hours=25), 0)):
        async with served(store, now=now) as site:
            token = site.token("read", name=str(there), expires_at=now + timedelta(hours=1))
            feed = feedparser.parse((await get(site, PATHS[1], **token)).content)
            calendar = icalendar.Calendar.from_ical((await get(site, PATHS[2], **token)).content)
        assert (len(feed.entries), len(calendar.walk("VEVENT"))) == (there, there)


async def test_a_message_names_those_before_it(site, store):
    put(store, DRIZZLE)
    worse = replace(DRIZZLE, level=Level.NO_TIME, seq=2, changed_at=NOW)
    put(store, worse, replace(DRIZZLE_BODY, level=Level.NO_TIME), version=1, type_=EventType.RAISED)
    token = site.token("read")
    first, second = [
        etree.fromstring((await get(site, f"/api/v1/events/XNOR-1.{seq}/cap.xml", **token)).content) for seq in (1, 2)
    ]
    triple = ",".join(first.findtext(f"{CAP}{name}") for name in ("sender", "identifier", "sent"))
    assert second.findtext(f"{CAP}references") == triple
    assert [message.findtext(f"{CAP}msgType") for message in (first, second)] == ["Alert", "Update"]
    # What came after an event changes nothing in its message.
    again = await get(site, "/api/v1/events/XNOR-1.1/cap.xml", **token)
    assert etree.fromstring(again.content).findtext(f"{CAP}references") is None


@pytest.mark.parametrize("path", PATHS)
async def test_a_reader_who_has_it_is_told_so(site, store, path):
    """RFC 9110, sections 13.1.2 and 15.4.5: 304 without content, with the tag; the tag changes with the content."""
    fill(store)
    token = site.token("read")
    first = await get(site, path, **token)
    tag = first.headers["etag"].removeprefix("W/")
    assert first.headers["cache-control"] == "private, no-cache"
    assert abs(parsedate_to_datetime(first.headers["last-modified"]) - NOW) < timedelta(minutes=30)
    for known in (tag, f"W/{tag}", f'"other", {tag}', "*"):
        answer = await site.client.get(site.origin + path, headers={**token, "If-None-Match": known})
        assert (answer.status_code, answer.content, answer.headers["etag"]) == (304, b"", f"W/{tag}")
        assert "content-type" not in answer.headers
    for other in ('"other"', tag.strip('"'), ""):
        assert (await site.client.get(site.origin + path, headers={**token, "If-None-Match": other})).status_code == 200
    head = await site.client.head(site.origin + path, headers=token)
    assert (head.status_code, head.content, head.headers["etag"]) == (200, b"", f"W/{tag}")
    assert head.headers["content-length"] == str(len(first.content))


async def test_the_tag_changes_when_a_period_moves_without_a_message(site, store):
    ahead = replace(DRIZZLE, kind=Kind.EXPECTED, began_at=NOW + 60 * MINUTE, until=NOW + 90 * MINUTE)
    put(store, ahead)
    token = site.token("read")
    before = await get(site, PATHS[2], **token)
    view = StationView(Station("XNOR"), StationState("XNOR", version=2))
    moved = replace(ahead, until=NOW + 120 * MINUTE)
    store.commit(Changes(NOW, (StationChange("XNOR", 1, view, episodes=(moved,)),)))
    after = await get(
        site,
        PATHS[2],
        **token,
        **{"If-None-Match": before.headers["etag"], "If-Modified-Since": before.headers["last-modified"]},
    )
    (entry,) = icalendar.Calendar.from_ical(after.content).walk("VEVENT")
    assert entry.decoded("DTEND") == NOW + 120 * MINUTE


async def test_a_feed_link_needs_no_token_and_lets_read_its_station_only(site, store):
    fill(store)
    links = site.links.feed("XNOR")
    parsed = feedparser.parse((await get(site, links.alerts)).content)
    assert {entry.id.rpartition(":")[2] for entry in parsed.entries} == {"XNOR-1", "XNOR-2"}
    calendar = icalendar.Calendar.from_ical((await get(site, links.expected)).content)
    assert {str(entry["LOCATION"]) for entry in calendar.walk("VEVENT")} == {"XNOR"}
    documents = [link.href for entry in parsed.entries for link in entry.links if link.type == KINDS["xml"]]
    for address in documents:
        assert etree.fromstring((await get(site, address)).content).tag == f"{CAP}alert"
    feed = links.alerts.rpartition("/")[0]
    refused(await site.client.get(f"{feed}/cap/XBAY-1.1.xml"), 404)
    # The permission is good for nothing else.
    token = feed.rpartition("/")[2]
    for path in (f"/take/{token}", f"/stop/{token}", f"/confirm/{token}", f"/feed/{token}/", f"/feed/{token}"):
        assert (await site.client.get(site.origin + path)).status_code == 404
    refused(await site.client.get(site.origin + PATHS[1], headers={"Authorization": f"Bearer {token}"}), 401)


async def test_a_feed_link_of_all_reads_all_but_nobodys_lists(site, store):
    """Digests name the parked aircraft of somebody, protections the treated ones: no feed tells of them."""
    fill(store)
    body = replace(DRIZZLE_BODY, flag=None)
    protection = Event(SubjectKind.PROTECTION, "XNOR-P3", 1, EventType.LOST, NOW, body)
    digest = Event(SubjectKind.DIGEST, "digest-0f", 7, EventType.DIGEST, NOW, replace(body, station=""))
    store.commit(Changes(NOW, (), digests=(digest,), protection_events=(protection,)))
    links = site.links.feed(ALL)
    parsed = feedparser.parse((await get(site, links.alerts)).content)
    assert len(parsed.entries) == 5
    feed = links.alerts.rpartition("/")[0]
    await get(site, f"{feed}/cap/XBAY-1.1.xml")
    token = site.token("read")
    for name in ("XNOR-P3.1", "digest-0f.7"):
        refused(await site.client.get(f"{feed}/cap/{name}.xml"), 404)
        await get(site, f"/api/v1/events/{name}/cap.xml", **token)


async def test_links_that_were_not_made_here_read_nothing(site, store):
    put(store, DRIZZLE)
    foreign = LinkMaker(site.origin, KEY[::-1]).feed("XNOR").alerts
    for link in (foreign, f"{site.origin}/feed/{bare(site.links.stop('XNOR'))}/alerts.atom"):
        assert "not made here" in refused(await site.client.get(link), 404)["detail"]
        page = await site.client.get(link, headers={"Accept": "text/html"})
        assert (page.status_code, "No feed behind this link" in page.text) == (404, True)


async def test_what_is_not_there_is_not_there(site, store):
    put(store, DRIZZLE)
    token = site.token("read")
    for path in ("stations/XBAY/alerts.atom", "stations/XBAY/expected.ics", "events/XNOR-1.2/cap.xml"):
        refused(await site.client.get(f"{site.origin}/api/v1/{path}", headers=token), 404)
    # One event has one name: another spelling of its number is none.
    refused(await site.client.get(f"{site.origin}/api/v1/events/XNOR-1.01/cap.xml", headers=token), 404)
    for path in ("stations/xnor/alerts.atom", "events/XNOR/cap.xml", "events/%3Cb%3E.1/cap.xml", "events/X.-1/cap.xml"):
        refused(await site.client.get(f"{site.origin}/api/v1/{path}", headers=token), 422)


async def test_a_station_without_alerts_has_an_empty_feed_and_calendar(site, store):
    sight(store, "XNOR", EventType.BLIND, EventType.SEEING)
    view = StationView(Station("XBAY"), StationState("XBAY", version=1))
    store.commit(Changes(NOW, (StationChange("XBAY", 0, view),)))
    token = site.token("read")
    feed = await get(site, "/api/v1/stations/XBAY/alerts.atom", **token)
    assert feedparser.parse(feed.content).entries == []
    assert feed.headers["last-modified"] == "Mon, 12 Jan 2026 00:00:00 GMT"
    calendar = await get(site, "/api/v1/stations/XBAY/expected.ics", **token)
    assert icalendar.Calendar.from_ical(calendar.content).walk("VEVENT") == []


async def test_addresses_begin_with_the_public_address(store):
    put(store, DRIZZLE)
    async with served(store, public_url="https://ice.example.org/board") as site:
        links = LinkMaker("https://ice.example.org/board", KEY).feed("XNOR")
        parsed = feedparser.parse((await get(site, urlsplit(links.alerts).path)).content)
        (entry,) = parsed.entries
        assert entry.id == "tag:ice.example.org,2026-01-12:XNOR-1"
        assert parsed.feed.links[0].href == links.alerts
        message = await get(site, urlsplit(entry.links[1].href).path)
        document = etree.fromstring(message.content)
    assert document.findtext(f"{CAP}sender") == "hoarline@ice.example.org"
    assert document.findtext(f"{CAP}info/{CAP}web") == "https://ice.example.org/board/stations/XNOR"


async def test_the_description_of_the_api_names_the_forms(site):
    described = (await get(site, "/api/v1/openapi.json")).json()["paths"]
    for path, kind in (
        ("/api/v1/alerts.atom", "application/atom+xml"),
        ("/api/v1/stations/{code}/alerts.atom", "application/atom+xml"),
        ("/api/v1/stations/{code}/expected.ics", "text/calendar"),
        ("/api/v1/events/{event_id}/cap.xml", "application/cap+xml"),
    ):
        assert list(described[path]) == ["get"]
        assert list(described[path]["get"]["responses"]["200"]["content"]) == [kind]
        assert "application/problem+json" in described[path]["get"]["responses"]["401"]["content"]
    assert not any(path.startswith("/feed") for path in described)


async def test_hostile_words_stay_words(site, store):
    body = replace(DRIZZLE_BODY, headline="]]><script>\x00&\r\nEND:VCALENDAR", name="<b>", raw="\u202e;,\\")
    over = replace(ended(), kind=Kind.EXPECTED)
    put(store, over, body, type_=EventType.CLOSED)
    token = site.token("read")
    feed = etree.fromstring((await get(site, PATHS[1], **token)).content)
    assert feed.findtext("{*}entry/{*}title") == "]]><script> & END:VCALENDAR"
    (entry,) = icalendar.Calendar.from_ical((await get(site, PATHS[2], **token)).content).walk("VEVENT")
    assert entry["SUMMARY"] == "]]><script> & END:VCALENDAR"
    message = etree.fromstring((await get(site, PATHS[3], **token)).content)
    assert message.findtext(f"{CAP}info/{CAP}headline") == "]]><script> & END:VCALENDAR"


async def test_a_link_that_is_read_in_a_circle_is_slowed_down(store):
    """RFC 6585, section 4. Other links are read on."""
    put(store, DRIZZLE)
    async with served(store) as site:
        link = site.links.feed("XNOR").expected
        answers = await asyncio.gather(*(site.client.get(link) for _ in range(200)))
        slowed = [answer for answer in answers if answer.status_code != 200]
        assert 1 <= len(slowed) <= 80
        for answer in slowed:
            refused(answer, 429)
            assert int(answer.headers["retry-after"]) >= 1
        await get(site, site.links.feed(ALL).expected)
