"""The bulk feed against a real local server: what is new comes out, and every fault is told apart."""

from __future__ import annotations

import asyncio
import gzip
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.net.loopback import loopback, ok
from watcher.demo.feed_server import FeedServer
from watcher.errors import FeedBusy, FeedError
from watcher.feeds.budget import Budgets
from watcher.feeds.bulk import BulkFeed
from watcher.feeds.model import Outcome
from watcher.net import Guard, HttpClients

pytestmark = pytest.mark.anyio

NOW = datetime(2026, 1, 12, 6, 0, tzinfo=UTC)
XNOR = "XNOR 120550Z 04007KT 0900 SN OVC006 M03/M04 Q1017"
XBAY = "SPECI XBAY 120548Z 15006KT 3000 FZDZ BR OVC006 M01/M02 Q1011"
TAF = "TAF XNOR 120500Z 1206/1306 04007KT 4000 -SN OVC010"
WORLD_2014 = Path(__file__).parent.parent / "data" / "reports" / "awc-metars-cache-20141218.csv.gz"


def after(minutes: float) -> datetime:
    return NOW + timedelta(minutes=minutes)


@pytest.fixture
async def server() -> AsyncIterator[FeedServer]:
    async with FeedServer() as server:
        server.publish_texts([XNOR, XBAY], [TAF], NOW)
        yield server


@pytest.fixture
async def http() -> AsyncIterator[HttpClients]:
    async with HttpClients(Guard(["127.0.0.0/8"]), contact="duty@example.org") as http:
        yield http


@pytest.fixture
def feed(server: FeedServer, http: HttpClients) -> BulkFeed:
    return BulkFeed(
        "world", http, Budgets(Random(1)), metar_url=server.metar_url, taf_url=server.taf_url, timeout_s=0.3
    )


async def test_the_first_answer_brings_every_report(feed: BulkFeed, server: FeedServer) -> None:
    fetched = await feed.fetch("metar", now=NOW)
    assert fetched.outcome is Outcome.CHANGED
    assert [(r.station, r.kind, r.text) for r in fetched.reports] == [
        ("XNOR", "METAR", f"METAR {XNOR}"),
        ("XBAY", "SPECI", XBAY),
    ]
    assert fetched.reports[1].observed_at == datetime(2026, 1, 12, 5, 48, tzinfo=UTC)
    assert (fetched.feed, fetched.what, fetched.received_at) == ("world", "metar", NOW)
    assert (fetched.newest_at, fetched.yield_ratio) == (datetime(2026, 1, 12, 5, 50, tzinfo=UTC), 1.0)
    assert fetched.size_bytes > 100
    assert "(duty@example.org)" in server.requests[0].headers["user-agent"]


@pytest.mark.parametrize("form", ["2014", "2026"])
@pytest.mark.parametrize("packed_by", ["file", "transfer"])
async def test_both_forms_and_both_ways_of_packing_bring_the_same(http: HttpClients, form: str, packed_by: str) -> None:
    async with FeedServer(form=form, packed_by=packed_by) as server:  # type: ignore[arg-type]
        server.publish_texts([XNOR, XBAY], [], NOW)
        feed = BulkFeed("world", http, Budgets(Random(1)), metar_url=server.metar_url)
        fetched = await feed.fetch("metar", now=NOW)
    assert [(r.station, r.kind) for r in fetched.reports] == [("XNOR", "METAR"), ("XBAY", "SPECI")]


async def test_tafs_come_by_their_own_question(feed: BulkFeed) -> None:
    fetched = await feed.fetch("taf", now=NOW)
    assert [(r.station, r.kind, r.text) for r in fetched.reports] == [("XNOR", "TAF", TAF)]
    assert fetched.newest_at == datetime(2026, 1, 12, 5, 0, tzinfo=UTC)


async def test_an_unchanged_file_is_asked_for_by_its_mark_and_brings_nothing(
    feed: BulkFeed, server: FeedServer
) -> None:
    await feed.fetch("metar", now=NOW)
    fetched = await feed.fetch("metar", now=after(1))
    assert (fetched.outcome, fetched.reports, fetched.size_bytes) == (Outcome.UNCHANGED, (), 0)
    assert fetched.newest_at == datetime(2026, 1, 12, 5, 50, tzinfo=UTC)
    assert server.requests[1].headers["if-none-match"].startswith('W/"')


async def test_a_server_that_sends_the_same_file_again_brings_nothing_either(http: HttpClients) -> None:
    async with FeedServer(conditional=False) as server:
        server.publish_texts([XNOR], [], NOW)
        feed = BulkFeed("world", http, Budgets(Random(1)), metar_url=server.metar_url)
        await feed.fetch("metar", now=NOW)
        fetched = await feed.fetch("metar", now=after(1))
    assert (fetched.outcome, fetched.reports, fetched.yield_ratio) == (Outcome.UNCHANGED, (), None)


async def test_of_a_changed_file_only_the_changed_reports_come_out(feed: BulkFeed, server: FeedServer) -> None:
    await feed.fetch("metar", now=NOW)
    corrected = "XNOR 120550Z COR 04007KT 1200 SN OVC006 M03/M04 Q1017"
    server.publish_texts([corrected, XBAY, "XFEL 120555Z 12004KT 9999 OVC020 02/01 Q1005"], [], after(1))
    fetched = await feed.fetch("metar", now=after(1))
    assert [r.station for r in fetched.reports] == ["XNOR", "XFEL"]
    assert fetched.reports[0].text == f"METAR {corrected}"


async def test_the_last_modified_time_is_given_back_as_it_came(http: HttpClients) -> None:
    stamp = "Mon, 12 Jan 2026 05:59:00 GMT"
    async with FeedServer() as source:
        source.publish_texts([XNOR], [], NOW)
        file = (await http.get(source.metar_url)).body
    async with loopback(ok(file, f"Last-Modified: {stamp}")) as server:
        feed = BulkFeed("world", http, Budgets(Random(1)), metar_url=server.url())
        await feed.fetch("metar", now=NOW)
        await feed.fetch("metar", now=after(1))
    assert f"If-Modified-Since: {stamp}\r\n".encode() in server.requests[1]


async def test_everything_comes_again_when_it_could_not_be_kept(feed: BulkFeed, server: FeedServer) -> None:
    await feed.fetch("metar", now=NOW)
    fetched = await feed.fetch("metar", now=after(1), everything=True)
    assert len(fetched.reports) == 2
    assert "if-none-match" not in server.requests[1].headers
    assert (await feed.fetch("metar", now=after(2))).outcome is Outcome.UNCHANGED


async def test_the_whole_world_of_2014_comes_through_and_the_next_look_is_empty(http: HttpClients) -> None:
    async with loopback(ok(WORLD_2014.read_bytes(), "Content-Type: application/gzip")) as server:
        feed = BulkFeed("world", http, Budgets(Random(1)), metar_url=server.url())
        now = datetime(2014, 12, 18, 8, 0, tzinfo=UTC)
        fetched = await feed.fetch("metar", now=now)
        again = await feed.fetch("metar", now=now)
    assert (len(fetched.reports), fetched.size_bytes) == (4538, WORLD_2014.stat().st_size)
    assert again.outcome is Outcome.UNCHANGED


@pytest.mark.parametrize(
    ("fault", "sentence"),
    [
        ("outage", r"answered 503 instead of reports"),
        ("page", r"answered with a web page instead of reports"),
        ("half", r"the body ends early"),
        ("broken-off", r"the exchange broke off"),
        ("slow", r"no whole answer within 0\.3 s"),
        ("redirect", r"sends the request on to feed\.invalid \(302\); put the new address in \[\[feed\]\]"),
    ],
)
async def test_a_fault_is_told_in_a_sentence_and_the_next_good_answer_brings_what_was_missed(
    feed: BulkFeed, server: FeedServer, fault: str, sentence: str
) -> None:
    server.fault = fault  # type: ignore[assignment]
    with pytest.raises(FeedError, match=rf"feed world, metar: .*{sentence}"):
        await feed.fetch("metar", now=NOW)
    server.fault = None
    assert len((await feed.fetch("metar", now=after(1))).reports) == 2


async def test_half_a_body_packed_for_the_transfer_ends_early_too(http: HttpClients) -> None:
    async with FeedServer(packed_by="transfer") as server:
        server.publish_texts([XNOR, XBAY], [], NOW)
        server.fault = "half"
        feed = BulkFeed("world", http, Budgets(Random(1)), metar_url=server.metar_url)
        with pytest.raises(FeedError, match="ends early"):
            await feed.fetch("metar", now=NOW)


async def test_a_connection_that_broke_off_is_tried_once_more(feed: BulkFeed, server: FeedServer) -> None:
    server.fault = "broken-off"
    with pytest.raises(FeedError):
        await feed.fetch("metar", now=NOW)
    assert len(server.requests) == 2


async def test_an_outage_is_not_hammered(feed: BulkFeed, server: FeedServer) -> None:
    server.fault = "outage"
    with pytest.raises(FeedError):
        await feed.fetch("metar", now=NOW)
    with pytest.raises(FeedBusy, match="left alone for another") as caught:
        await feed.fetch("metar", now=NOW)
    assert 5 <= (caught.value.retry_after_s or 0) <= 6
    assert len(server.requests) == 1


@pytest.mark.parametrize(
    ("retry_after", "least"), [("120", 120), ("Mon, 12 Jan 2026 06:05:00 GMT", 300), ("whenever", 60)]
)
async def test_a_feed_that_asks_for_fewer_requests_is_left_alone(
    feed: BulkFeed, server: FeedServer, retry_after: str, least: float
) -> None:
    server.fault, server.retry_after = "busy", retry_after
    with pytest.raises(FeedBusy, match=r"asked for fewer requests \(429\)") as caught:
        await feed.fetch("metar", now=NOW)
    assert least <= (caught.value.retry_after_s or 0) <= 1.2 * least
    server.fault = None
    with pytest.raises(FeedBusy):
        await feed.fetch("taf", now=NOW + timedelta(seconds=least - 1))
    assert len(server.requests) == 1
    assert (await feed.fetch("metar", now=NOW + timedelta(seconds=1.2 * least))).outcome is Outcome.CHANGED


async def test_an_empty_answer_is_empty_and_no_error(feed: BulkFeed, server: FeedServer) -> None:
    await feed.fetch("metar", now=NOW)
    server.fault = "empty"
    assert (await feed.fetch("metar", now=after(1))).outcome is Outcome.EMPTY
    server.fault = None
    assert (await feed.fetch("metar", now=after(2))).outcome is Outcome.UNCHANGED


async def test_a_file_with_a_header_only_is_empty(feed: BulkFeed, server: FeedServer) -> None:
    server.publish([], [])
    assert (await feed.fetch("metar", now=NOW)).outcome is Outcome.EMPTY
    assert (await feed.fetch("taf", now=NOW)).outcome is Outcome.EMPTY


async def test_yesterdays_file_is_noticed_by_the_age_of_its_newest_report(feed: BulkFeed, server: FeedServer) -> None:
    server.fault = "yesterday"
    fetched = await feed.fetch("metar", now=NOW)
    assert (fetched.outcome, fetched.detail) == (Outcome.STALE, "its newest report is 24 h 10 min old")
    assert fetched.newest_at == datetime(2026, 1, 11, 5, 50, tzinfo=UTC)


async def test_a_file_that_never_changes_again_becomes_stale(feed: BulkFeed) -> None:
    await feed.fetch("metar", now=NOW)
    assert (await feed.fetch("metar", now=after(65))).outcome is Outcome.UNCHANGED
    assert (await feed.fetch("metar", now=after(66))).outcome is Outcome.STALE


async def test_a_machine_whose_clock_is_far_behind_is_told_so(feed: BulkFeed) -> None:
    fetched = await feed.fetch("metar", now=NOW - timedelta(days=2))
    assert (fetched.outcome, fetched.detail) == (Outcome.STALE, "every report is dated after this machine's clock")


@pytest.mark.parametrize(
    ("answer", "sentence"),
    [
        (ok(b"", status="304 Not Modified"), r"answered 304 instead of reports"),
        (ok(b"no", status="404 Not Found"), r"answered 404"),
        (ok(b"<html>hello", "Content-Type: text/plain"), r"web page"),
        (ok(gzip.compress(b"<!doctype HTML><p>hello")), r"web page"),
        (ok(gzip.compress(b"raw_text,station_id,observation_time\nshort")), r"ends early, inside row 1"),
        (ok(gzip.compress(bytes(3 << 20))), r"cannot be unpacked: unpacks to more than 1048576 bytes"),
        (ok(bytes(3 << 20)), r"larger than 1048576 bytes"),
        (ok(b"\x1f\x8b" + bytes(60)), r"cannot be unpacked"),
        (ok(b"<response/>"), r"empty|file without"),
    ],
)
async def test_an_answer_that_is_not_the_file_is_told_apart(http: HttpClients, answer: bytes, sentence: str) -> None:
    async with loopback(answer) as server:
        feed = BulkFeed("world", http, Budgets(Random(1)), metar_url=server.url(), limit_bytes=1 << 20)
        if b"<response/>" in answer:
            assert (await feed.fetch("metar", now=NOW)).outcome is Outcome.EMPTY
            return
        with pytest.raises(FeedError, match=sentence):
            await feed.fetch("metar", now=NOW)


async def test_an_address_that_the_guard_refuses_is_a_feed_error(server: FeedServer) -> None:
    async with HttpClients(Guard()) as http:
        feed = BulkFeed("world", http, Budgets(Random(1)), metar_url=server.metar_url)
        with pytest.raises(FeedError, match="allow_private"):
            await feed.fetch("metar", now=NOW)
    assert server.requests == []


async def test_a_feed_that_refuses_us_is_left_alone_and_the_contact_named_as_a_likely_cause(http: HttpClients) -> None:
    async with loopback(ok(b"denied", status="403 Forbidden")) as server:
        feed = BulkFeed("world", http, Budgets(Random(1)), metar_url=server.url())
        with pytest.raises(FeedBusy, match=r"refused the request \(403\); is \[service\] contact set\?"):
            await feed.fetch("metar", now=NOW)
        with pytest.raises(FeedBusy, match="left alone"):
            await feed.fetch("metar", now=NOW + timedelta(seconds=59))
    assert len(server.requests) == 1


async def test_rows_that_are_no_reports_are_counted_in_the_detail(http: HttpClients) -> None:
    lines = gzip.decompress(WORLD_2014.read_bytes()).splitlines()[5:15]
    lines[4] = b"garbage"
    async with loopback(ok(b"\n".join(lines) + b"\n")) as server:
        feed = BulkFeed("world", http, Budgets(Random(1)), metar_url=server.url())
        fetched = await feed.fetch("metar", now=datetime(2014, 12, 18, 8, 0, tzinfo=UTC))
    assert fetched.detail == "8 of 8 reports are new; 1 rows are no reports"
    assert fetched.yield_ratio == pytest.approx(8 / 9)


async def test_a_503_that_names_a_time_is_a_request_for_patience(http: HttpClients) -> None:
    async with loopback(ok(b"", "Retry-After: 90", status="503 Service Unavailable")) as server:
        feed = BulkFeed("world", http, Budgets(Random(1)), metar_url=server.url())
        with pytest.raises(FeedBusy) as caught:
            await feed.fetch("metar", now=NOW)
    assert 90 <= (caught.value.retry_after_s or 0) <= 108


async def test_a_feed_can_only_be_asked_for_what_it_has_an_address_for(http: HttpClients, server: FeedServer) -> None:
    feed = BulkFeed("world", http, Budgets(Random(1)), metar_url=server.metar_url)
    assert set(feed.brings) == {"metar"}
    with pytest.raises(FeedError, match="feed world, taf: no address is set for it"):
        await feed.fetch("taf", now=NOW)


async def test_a_file_that_could_not_be_read_is_asked_for_again_without_its_mark(http: HttpClients) -> None:
    async with loopback(ok(b"garbage", 'ETag: W/"g"')) as server:
        feed = BulkFeed("world", http, Budgets(Random(1)), metar_url=server.url())
        for minute in (0, 1):
            with pytest.raises(FeedError, match="this is no METAR cache"):
                await feed.fetch("metar", now=after(minute))
    assert b"If-None-Match" not in server.requests[1]


_FILES = st.lists(
    st.tuples(
        st.sampled_from([None, None, "outage", "half", "page", "empty", "busy"]),
        st.dictionaries(st.sampled_from(["XNOR", "XBAY", "XFEL"]), st.integers(0, 2), min_size=1),
    ),
    max_size=8,
)


@settings(max_examples=50, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(_FILES)
def test_no_sequence_of_files_and_faults_loses_a_report_or_brings_one_twice(
    files: list[tuple[str | None, dict[str, int]]],
) -> None:
    async def play() -> None:
        async with FeedServer() as server, HttpClients(Guard(["127.0.0.0/8"])) as http:
            feed = BulkFeed("world", http, Budgets(Random(1)), metar_url=server.metar_url)
            before: set[str] = set()
            for turn, (server.fault, texts) in enumerate(files):  # type: ignore[assignment]
                current = {f"METAR {station} 120550Z 0000{number}KT" for station, number in texts.items()}
                server.publish_texts(sorted(current), [], NOW)
                try:
                    fetched = await feed.fetch("metar", now=after(10 * turn))
                except FeedError:
                    assert server.fault is not None
                    continue
                if server.fault is None:
                    assert sorted(r.text for r in fetched.reports) == sorted(current - before)
                    before = current

    asyncio.run(play())
