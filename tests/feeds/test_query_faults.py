"""The station API when things go wrong: it is left alone, asked in its other form, and every fault is told apart."""

from __future__ import annotations

import asyncio
import gzip
import threading
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.feeds.query_scenes import FIVE, NOW, PAGE, XBAY, XNOR, Made, after, only, texts
from tests.feeds.station_api import Asked, StationApi, no_content
from tests.net.loopback import ok
from watcher.errors import FeedBusy, FeedError
from watcher.feeds import exchange
from watcher.feeds.budget import Budgets
from watcher.feeds.model import Outcome
from watcher.feeds.query import QueryFeed
from watcher.net import Guard, HttpClients

pytestmark = pytest.mark.anyio


async def test_a_host_that_asks_for_fewer_requests_ends_the_round_and_is_left_alone(
    made: Made, api: StationApi
) -> None:
    api.fault = only(ok(b"", "Retry-After: 120", status="429 Too Many Requests"), "XFEL")
    feed = made(["XBAY", "XFEL", "XNOR"], at_once=1)
    fetched = await feed.fetch("metar", now=NOW)
    assert (texts(fetched), fetched.incomplete) == ([XBAY], True)
    assert "asked for fewer requests (429)" in fetched.problems[0]
    with pytest.raises(FeedBusy, match=r"left alone for another 1[0-4][0-9] s"):
        await feed.fetch("taf", now=NOW)
    assert len(api.asked) == 2
    api.fault = None
    await feed.fetch("metar", now=after(3))
    assert [asked.ids for asked in api.asked[2:]] == [("XFEL",), ("XNOR",), ("XBAY",)]


async def test_a_host_that_refuses_at_once_says_for_how_long(made: Made, api: StationApi) -> None:
    api.fault = lambda _: ok(b"", "Retry-After: 90", status="429 Too Many Requests")
    with pytest.raises(FeedBusy, match=r"feed few, metar: .*\(429\)") as caught:
        await made().fetch("metar", now=NOW)
    assert 90 <= (caught.value.retry_after_s or 0) <= 108


async def test_the_budget_of_the_host_holds_for_all_portions(made: Made, api: StationApi) -> None:
    feed = made(FIVE, at_once=1, budget=3)
    fetched = await feed.fetch("metar", now=NOW)
    assert (len(api.asked), fetched.incomplete) == (3, True)
    with pytest.raises(FeedBusy):
        await feed.fetch("metar", now=after(0.5))
    await feed.fetch("metar", now=after(1))
    assert [asked.ids[0] for asked in api.asked] == ["XBAY", "XFEL", "XMOR", "XNOR", "XTAR", "XBAY"]


@pytest.mark.parametrize(
    ("answer", "reason"),
    [
        (PAGE, "web page instead of reports"),
        (ok(b"\n<html><body>hello"), "web page instead of reports"),
        (ok(b'{"status":"error","error":"Invalid value for format"}', status="400 Bad Request"), "Invalid value for format"),
        (ok(b'{"status":"error","error":"no such format"}'), 'the host says "no such format"'),
        (ok(b"No data\nfound for\nXNOR\n" + XNOR.encode()), 'only 1 of 4 texts in the answer are reports: "No data"'),
        (ok(b"<response><data/></response>"), "neither reports nor JSON"),
    ],
)  # fmt: skip
async def test_json_is_asked_for_only_when_the_raw_answer_is_of_no_use(
    made: Made, api: StationApi, answer: bytes, reason: str
) -> None:
    def fault(asked: Asked) -> bytes | None:
        return answer if asked.format == "raw" else None

    api.fault = fault
    fetched = await made(json=True).fetch("metar", now=NOW)
    assert [asked.format for asked in api.asked] == ["raw", "json"]
    assert sorted(texts(fetched)) == sorted([XNOR, XBAY])
    assert reason in fetched.problems[0]
    assert not fetched.incomplete
    with pytest.raises(FeedError, match="feed few, metar: XBAY, XNOR: "):
        await made().fetch("metar", now=NOW)


async def test_a_host_that_is_down_is_not_asked_in_another_form(made: Made, api: StationApi) -> None:
    api.fault = lambda _: ok(b"", status="500 Oops")
    with pytest.raises(FeedError):
        await made(json=True).fetch("metar", now=NOW)
    assert [asked.format for asked in api.asked] == ["raw"]


async def test_after_a_change_of_form_the_one_that_works_is_asked_first_for_an_hour(
    made: Made, api: StationApi
) -> None:
    api.fault = lambda asked: PAGE if asked.format == "raw" else None
    feed = made(json=True)
    for minute in (0, 1, 59, 60):
        await feed.fetch("metar", now=after(minute))
    assert [asked.format for asked in api.asked] == ["raw", "json", "json", "json", "raw", "json"]
    api.fault = lambda asked: PAGE if asked.format == "json" else None
    await feed.fetch("metar", now=after(61))
    await feed.fetch("metar", now=after(62))
    assert [asked.format for asked in api.asked[6:]] == ["json", "raw", "raw"]


async def test_a_change_of_form_brings_no_report_twice(made: Made, api: StationApi) -> None:
    feed = made(json=True)
    await feed.fetch("metar", now=NOW)
    api.fault = lambda asked: PAGE if asked.format == "raw" else None
    fetched = await feed.fetch("metar", now=after(1))
    assert (fetched.outcome, fetched.reports) == (Outcome.UNCHANGED, ())


async def test_two_forms_of_no_use_are_both_told(made: Made, api: StationApi) -> None:
    api.fault = lambda asked: PAGE if asked.format == "raw" else ok(b'[{"icaoId": "XNOR"')
    with pytest.raises(FeedError, match="web page instead of reports; the answer ends early, inside its JSON"):
        await made(json=True).fetch("metar", now=NOW)


async def test_an_address_that_gives_json_by_itself_needs_no_second_one(made: Made, api: StationApi) -> None:
    feed = made(metar_url=api.url("metar", "json"))
    assert sorted(texts(await feed.fetch("metar", now=NOW))) == sorted([XNOR, XBAY])


async def test_an_answer_that_is_packed_comes_through_both_ways(made: Made, api: StationApi) -> None:
    for answer in (
        ok(gzip.compress(XNOR.encode()), "Content-Type: application/gzip"),
        ok(gzip.compress(XNOR.encode()), "Content-Encoding: gzip"),
    ):
        api.fault = lambda _, answer=answer: answer
        assert texts(await made(["XNOR"]).fetch("metar", now=NOW)) == [XNOR]


async def test_an_answer_is_unpacked_beside_the_rounds_and_not_in_them(
    made: Made, api: StationApi, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Meanwhile messages go out, pages are shown and the watchdog hears its beat."""
    threads: list[int] = []

    def gunzip(body: bytes, limit_bytes: int) -> bytes:
        threads.append(threading.get_ident())
        return taken_apart(body, limit_bytes)

    taken_apart = exchange.gunzip
    monkeypatch.setattr(exchange, "gunzip", gunzip)
    api.fault = lambda _: ok(gzip.compress(XNOR.encode()), "Content-Type: application/gzip")
    assert texts(await made(["XNOR"]).fetch("metar", now=NOW)) == [XNOR]
    assert len(threads) == 1
    assert threads[0] != threading.get_ident()


async def test_an_answer_of_more_members_than_any_real_file_is_told_to_be_broken(made: Made, api: StationApi) -> None:
    api.fault = lambda _: ok(gzip.compress(b"", mtime=0) * 5000)
    with pytest.raises(FeedError, match="the body cannot be unpacked: the gzip data has more than 4096 members"):
        await made(["XNOR"]).fetch("metar", now=NOW)


@pytest.mark.parametrize(
    ("answer", "sentence"),
    [
        (ok(XNOR.encode() * 60_000), "larger than 2097152 bytes"),
        (ok(gzip.compress(bytes(3 << 20))), "unpacks to more than 2097152 bytes"),
        (ok(gzip.compress(XNOR.encode() * 9)[:40]), "the body ends early"),
        (ok(XNOR.encode()).replace(b"Content-Length: 55", b"Content-Length: 99"), "the exchange broke off"),
        (ok(b"", "Location: https://elsewhere.example.org/", status="301 Moved"), r"put the new address in \[\[feed\]\]"),
        (ok(b"", "Location: http://[/x", status="301 Moved"), r"on to another place \(301\); put the new address in"),
        (ok(b"[" * 100_000), "the answer ends early, inside its JSON"),
        (ok(b"\x00\xff\xfe\x9f" * 500), "only 0 of"),
    ],
)  # fmt: skip
async def test_an_answer_that_is_none_is_told_in_a_sentence(
    made: Made, api: StationApi, answer: bytes, sentence: str
) -> None:
    api.fault = lambda _: answer
    with pytest.raises(FeedError, match=f"feed few, metar: XNOR: .*{sentence}"):
        await made(["XNOR"]).fetch("metar", now=NOW)


async def test_a_sentence_about_one_station_is_told_and_the_rest_comes(made: Made, api: StationApi) -> None:
    api.fault = lambda _: ok(f"{XNOR}\nNo data for XBAY\x1b[31m\n".encode())
    fetched = await made().fetch("metar", now=NOW)
    assert texts(fetched) == [XNOR]
    assert fetched.problems == ('no report: "No data for XBAY [31m"',)
    assert fetched.yield_ratio == 0.5


async def test_of_many_odd_lines_the_first_are_told_and_the_rest_counted(made: Made, api: StationApi) -> None:
    lines = [f"{XNOR}\nsorry, no {number}\n" for number in range(40)]
    api.fault = lambda _: ok("".join(lines).encode())
    fetched = await made(["XNOR"]).fetch("metar", now=NOW)
    assert fetched.problems[0] == 'no report: "sorry, no 0"'
    assert fetched.problems[5:] == ("35 more texts are no reports",)


async def test_an_answer_of_as_many_reports_as_a_host_gives_at_most_is_told_as_perhaps_cut(
    made: Made, api: StationApi
) -> None:
    lines = "".join(f"XNOR 12{m // 60:02d}{m % 60:02d}Z 00000KT CAVOK M01/M02 Q1021\n" for m in range(400))
    api.fault = lambda _: ok(lines.encode())
    fetched = await made(["XNOR"]).fetch("metar", now=after(60))
    assert len(fetched.reports) == 400
    assert "400 reports and may have been cut there; lower at_once" in fetched.problems[0]


async def test_an_address_that_the_guard_refuses_is_a_feed_error(api: StationApi) -> None:
    async with HttpClients(Guard()) as http:
        feed = QueryFeed("few", http, Budgets(Random(1)), ["XNOR"], metar_url=api.url())
        with pytest.raises(FeedError, match="allow_private"):
            await feed.fetch("metar", now=NOW)
    assert api.asked == []


async def test_a_feed_can_only_be_asked_for_what_it_has_an_address_for(made: Made) -> None:
    feed = made(taf_url=None)
    assert set(feed.brings) == {"metar"}
    with pytest.raises(FeedError, match="feed few, taf: no address is set for it"):
        await feed.fetch("taf", now=NOW)


async def test_a_wait_that_the_host_asked_for_is_not_cut_short_by_a_failure_before_it(
    made: Made, api: StationApi
) -> None:
    busy, down = ok(b"", "Retry-After: 600", status="429 Too Many Requests"), ok(b"", status="500 Oops")
    api.fault = lambda asked: down if "XBAY" in asked.ids else busy
    feed = made(at_once=1)
    with pytest.raises(FeedBusy):
        await feed.fetch("metar", now=NOW)
    with pytest.raises(FeedBusy, match="left alone for another"):
        await feed.fetch("metar", now=after(9))
    assert len(api.asked) == 2


_FAULTS = {
    "down": ok(b"", status="500 Oops"),
    "page": PAGE,
    "none": no_content(),
    "cut": ok(b"[{"),
    "odd": ok(b"hello"),
}
_TURNS = st.lists(
    st.tuples(
        st.dictionaries(st.sampled_from(FIVE), st.integers(0, 3)),
        st.dictionaries(st.sampled_from(FIVE), st.sampled_from(sorted(_FAULTS))),
    ),
    max_size=8,
)


@settings(max_examples=30)
@given(_TURNS, st.integers(1, 5), st.booleans())
def test_no_sequence_of_answers_and_faults_loses_a_report_or_brings_one_twice(
    turns: list[tuple[dict[str, int], dict[str, str]]], at_once: int, json: bool
) -> None:
    async def play() -> None:
        async with StationApi() as api, HttpClients(Guard(["127.0.0.0/8"])) as http:
            feed = Made(api, http)(FIVE, at_once=at_once, json=json, budget=1000)
            brought: dict[str, str] = {}
            for turn, (texts, faults) in enumerate([*turns, ({}, {})]):
                current = {code: f"METAR {code} 120550Z 0000{wind}KT" for code, wind in texts.items()}
                api.metars = {code: [text] for code, text in current.items()}
                api.fault = lambda asked, faults=faults: next(
                    (_FAULTS[faults[code]] for code in asked.ids if code in faults), None
                )
                try:
                    fetched = await feed.fetch("metar", now=after(10 * turn))
                except FeedError:
                    assert faults
                    continue
                assert faults or not fetched.incomplete
                for report in fetched.reports:
                    assert report.text == current[report.station]
                    assert brought.get(report.station) != report.text
                    brought[report.station] = report.text
                if not faults:
                    assert {code: brought[code] for code in current} == current

    asyncio.run(play())
