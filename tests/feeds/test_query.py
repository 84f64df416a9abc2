"""The station API against a real local one: it is asked only for what is watched, gently, and every fault is told."""

from __future__ import annotations

import gzip
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from random import Random

import pytest

from tests.feeds.station_api import Asked, Fault, StationApi, no_content
from tests.net.loopback import loopback, ok
from watcher.demo.feed_server import FeedServer
from watcher.errors import FeedBusy, FeedError
from watcher.feeds.budget import Budgets
from watcher.feeds.bulk import BulkFeed
from watcher.feeds.health import FeedHealth, after_answer, after_failure, feeds_to_ask
from watcher.feeds.model import Fetched, Outcome
from watcher.feeds.query import REQUESTS_A_ROUND, QueryFeed
from watcher.net import Guard, HttpClients

pytestmark = pytest.mark.anyio

NOW = datetime(2026, 1, 12, 6, 0, tzinfo=UTC)
XNOR = "METAR XNOR 120550Z 04007KT 0900 SN OVC006 M03/M04 Q1017"
XBAY = "SPECI XBAY 120548Z 15006KT 3000 FZDZ BR OVC006 M01/M02 Q1011"
XFEL = "METAR XFEL 120555Z 12004KT 9999 OVC020 02/01 Q1005"
TAF = "TAF XNOR 120500Z 1206/1306 04007KT 4000 -SN OVC010"
FIVE = ["XBAY", "XFEL", "XMOR", "XNOR", "XTAR"]
PAGE = ok(b"<!DOCTYPE html><html><body>Maintenance</body></html>", "Content-Type: text/html")


def after(minutes: float) -> datetime:
    return NOW + timedelta(minutes=minutes)


def only(fault: bytes, *stations: str) -> Fault:
    """A fault of the requests that ask for one of these stations."""
    return lambda asked: fault if set(stations) & set(asked.ids) else None


@pytest.fixture
async def api() -> AsyncIterator[StationApi]:
    async with StationApi({"XNOR": [XNOR], "XBAY": [XBAY], "XFEL": [XFEL]}, {"XNOR": [TAF]}) as api:
        yield api


@pytest.fixture
async def http() -> AsyncIterator[HttpClients]:
    async with HttpClients(Guard(["127.0.0.0/8"]), contact="duty@example.org") as http:
        yield http


class Made:
    """Makes feeds of the API; raw only, unless JSON is wanted too."""

    def __init__(self, api: StationApi, http: HttpClients) -> None:
        self.api, self.http = api, http

    def __call__(self, stations=("XNOR", "XBAY"), *, json=False, budget=10, **changed) -> QueryFeed:
        urls = {"metar_url": self.api.url("metar"), "taf_url": self.api.url("taf")}
        if json:
            urls |= {"json_metar_url": self.api.url("metar", "json"), "json_taf_url": self.api.url("taf", "json")}
        values = {"pause_s": 0.0, "timeout_s": 0.5, **urls, **changed}
        return QueryFeed("few", self.http, Budgets(Random(1), per_minute=budget), stations, **values)


@pytest.fixture
def made(api: StationApi, http: HttpClients) -> Made:
    return Made(api, http)


def texts(fetched: Fetched) -> list[str]:
    return [report.text for report in fetched.reports]


# What comes


async def test_one_request_brings_the_reports_of_the_watched_stations(made: Made, api: StationApi) -> None:
    fetched = await made().fetch("metar", now=NOW)
    assert [(r.station, r.kind, r.text) for r in fetched.reports] == [
        ("XBAY", "SPECI", XBAY),
        ("XNOR", "METAR", XNOR),
    ]
    assert (fetched.feed, fetched.what, fetched.outcome, fetched.received_at) == ("few", "metar", Outcome.CHANGED, NOW)
    assert fetched.newest_at == datetime(2026, 1, 12, 5, 50, tzinfo=UTC)
    assert (fetched.yield_ratio, fetched.problems, fetched.incomplete) == (1.0, (), False)
    assert fetched.size_bytes == len(f"{XBAY}\n{XNOR}\n")
    (asked,) = api.asked
    assert (asked.ids, asked.format) == (("XBAY", "XNOR"), "raw")
    assert "(duty@example.org)" in asked.headers["user-agent"]


async def test_tafs_come_by_their_own_question(made: Made) -> None:
    fetched = await made().fetch("taf", now=NOW)
    assert [(r.station, r.kind, r.text) for r in fetched.reports] == [("XNOR", "TAF", TAF)]
    assert fetched.newest_at == datetime(2026, 1, 12, 5, 0, tzinfo=UTC)


async def test_the_codes_stand_in_the_address_and_nothing_else_is_changed_in_it(http: HttpClients) -> None:
    async with loopback(ok(XNOR.encode())) as server:
        feed = QueryFeed("few", http, Budgets(Random(1)), ["XNOR", "X1AB"], metar_url=server.url(path="/a?i={ids}&h=2"))
        await feed.fetch("metar", now=NOW)
    assert server.requests[0].startswith(b"GET /a?i=X1AB,XNOR&h=2 HTTP/1.1\r\n")


@pytest.mark.parametrize("code", ["", "xnor", "XNO", "XNORD", "XN/R", "XN&R", "XNO\n", "ÅNOR", "1NOR"])
def test_what_is_no_station_code_never_comes_into_an_address(http_less: Budgets, code: str) -> None:
    with pytest.raises(ValueError, match="no station code"):
        QueryFeed("few", None, http_less, ["XNOR", code], metar_url="http://127.0.0.1/?ids={ids}")  # type: ignore[arg-type]


@pytest.fixture
def http_less() -> Budgets:
    return Budgets(Random(1))


def test_a_list_without_a_station_is_refused(http_less: Budgets) -> None:
    with pytest.raises(ValueError, match="no station to ask for"):
        QueryFeed("few", None, http_less, [], metar_url="http://127.0.0.1/?ids={ids}")  # type: ignore[arg-type]


async def test_reports_of_stations_that_were_not_asked_for_are_left_out(made: Made, api: StationApi) -> None:
    api.metars["XNOR"] = [XNOR, XFEL]
    assert texts(await made(["XNOR"]).fetch("metar", now=NOW)) == [XNOR]


async def test_several_hours_of_a_station_all_come_and_then_only_the_new_one(made: Made, api: StationApi) -> None:
    earlier = XNOR.replace("120550Z", "120520Z")
    api.metars["XNOR"] = [XNOR, earlier]
    feed = made(["XNOR"])
    assert texts(await feed.fetch("metar", now=NOW)) == [XNOR, earlier]
    later = XNOR.replace("120550Z", "120620Z")
    api.metars["XNOR"] = [later, XNOR]
    assert texts(await feed.fetch("metar", now=after(25))) == [later]


# What is not asked for twice


async def test_an_unchanged_answer_is_asked_for_by_its_mark_and_brings_nothing(made: Made, api: StationApi) -> None:
    feed = made()
    await feed.fetch("metar", now=NOW)
    fetched = await feed.fetch("metar", now=after(1))
    assert (fetched.outcome, fetched.reports, fetched.size_bytes) == (Outcome.UNCHANGED, (), 0)
    assert fetched.newest_at == datetime(2026, 1, 12, 5, 50, tzinfo=UTC)
    assert api.asked[1].headers["if-none-match"].startswith('W/"')


async def test_the_last_modified_time_is_given_back_as_it_came(http: HttpClients) -> None:
    stamp = "Mon, 12 Jan 2026 05:59:00 GMT"
    async with loopback(ok(f"{XNOR}=\n".encode(), f"Last-Modified: {stamp}")) as server:
        feed = QueryFeed("few", http, Budgets(Random(1)), ["XNOR"], metar_url=server.url(path="/?icao={ids}"))
        await feed.fetch("metar", now=NOW)
        again = await feed.fetch("metar", now=after(1))
    assert f"If-Modified-Since: {stamp}\r\n".encode() in server.requests[1]
    assert again.outcome is Outcome.UNCHANGED


async def test_each_portion_has_its_own_mark(made: Made, api: StationApi) -> None:
    feed = made(at_once=1)
    await feed.fetch("metar", now=NOW)
    changed = XNOR.replace("0900", "0400")
    api.metars["XNOR"] = [changed]
    assert texts(await feed.fetch("metar", now=after(1))) == [changed]
    marks = [asked.headers.get("if-none-match") for asked in api.asked]
    assert len(set(marks[2:])) == 2
    assert None not in marks[2:]


async def test_everything_comes_again_when_it_could_not_be_kept(made: Made, api: StationApi) -> None:
    feed = made(at_once=1)
    await feed.fetch("metar", now=NOW)
    fetched = await feed.fetch("metar", now=after(1), everything=True)
    assert len(fetched.reports) == 2
    assert not any("if-none-match" in asked.headers for asked in api.asked)
    assert (await feed.fetch("metar", now=after(2))).outcome is Outcome.UNCHANGED


async def test_everything_is_not_forgotten_by_portions_that_fail_meanwhile(made: Made, api: StationApi) -> None:
    feed = made(at_once=1)
    await feed.fetch("metar", now=NOW)
    api.fault = only(ok(b"", status="500 Oops"), "XNOR")
    assert texts(await feed.fetch("metar", now=after(1), everything=True)) == [XBAY]
    api.fault = None
    assert texts(await feed.fetch("metar", now=after(2))) == [XNOR]


# Nothing there


@pytest.mark.parametrize("answer", [no_content(), ok(b""), ok(b"\n"), ok(b"[]"), ok(b" [ ] \n")])
async def test_no_data_is_an_answer_and_no_error(made: Made, api: StationApi, answer: bytes) -> None:
    api.fault = lambda _: answer
    fetched = await made().fetch("metar", now=NOW)
    assert (fetched.outcome, fetched.reports, fetched.newest_at, fetched.problems) == (Outcome.EMPTY, (), None, ())
    assert after_answer(FeedHealth(), fetched).newest_at is None


async def test_a_portion_without_data_does_not_make_the_answer_empty(made: Made) -> None:
    fetched = await made(["XNOR", "XTAR"], at_once=1).fetch("metar", now=NOW)
    assert (fetched.outcome, texts(fetched), fetched.incomplete) == (Outcome.CHANGED, [XNOR], False)


async def test_data_that_is_missing_once_does_not_come_twice(made: Made, api: StationApi) -> None:
    feed = made()
    await feed.fetch("metar", now=NOW)
    api.fault = lambda _: no_content()
    assert (await feed.fetch("metar", now=after(1))).outcome is Outcome.EMPTY
    api.fault = None
    assert (await feed.fetch("metar", now=after(2))).outcome is Outcome.UNCHANGED


async def test_reports_that_do_not_change_any_more_become_stale(made: Made) -> None:
    feed = made()
    await feed.fetch("metar", now=NOW)
    assert (await feed.fetch("metar", now=after(80))).outcome is Outcome.UNCHANGED
    fetched = await feed.fetch("metar", now=after(81))
    assert (fetched.outcome, fetched.detail) == (Outcome.STALE, "its newest report is 1 h 31 min old")


async def test_a_machine_whose_clock_is_far_behind_is_told_so(made: Made) -> None:
    fetched = await made().fetch("metar", now=NOW - timedelta(hours=12))
    assert (fetched.outcome, fetched.detail) == (Outcome.STALE, "no report has a time that fits this machine's clock")


# Several requests


async def test_a_longer_list_is_asked_for_in_portions_one_after_another(made: Made, api: StationApi) -> None:
    fetched = await made(FIVE, at_once=2).fetch("metar", now=NOW)
    assert [asked.ids for asked in api.asked] == [("XBAY", "XFEL"), ("XMOR", "XNOR"), ("XTAR",)]
    assert texts(fetched) == [XBAY, XFEL, XNOR]


async def test_a_pause_lies_between_two_requests_but_not_before_the_first(
    made: Made, monkeypatch: pytest.MonkeyPatch
) -> None:
    pauses: list[float] = []

    async def note(seconds: float) -> None:
        pauses.append(seconds)

    feed = made(FIVE, at_once=2, pause_s=10.0)
    monkeypatch.setattr("watcher.feeds.query.asyncio.sleep", note)
    await feed.fetch("metar", now=NOW)
    long = [seconds for seconds in pauses if seconds >= 10]
    assert len(long) == 2
    assert all(seconds <= 12 for seconds in long)
    assert long[0] != long[1]


async def test_a_very_long_list_takes_several_rounds_and_leaves_no_station_out(made: Made, api: StationApi) -> None:
    stations = [f"X{number:03d}" for number in range(2 * REQUESTS_A_ROUND + 3)]
    feed = made(stations, at_once=1, budget=1000)
    for minute in range(3):
        await feed.fetch("metar", now=after(minute))
    assert [len(asked.ids) for asked in api.asked] == [1] * 3 * REQUESTS_A_ROUND
    assert {asked.ids[0] for asked in api.asked} == set(stations)


async def test_one_portion_that_fails_loses_nothing_for_the_others(made: Made, api: StationApi) -> None:
    api.fault = only(ok(b"", status="500 Oops"), "XFEL")
    feed = made(["XBAY", "XFEL", "XNOR"], at_once=1)
    fetched = await feed.fetch("metar", now=NOW)
    assert (fetched.outcome, texts(fetched), fetched.incomplete) == (Outcome.CHANGED, [XBAY, XNOR], True)
    (problem,) = fetched.problems
    assert problem == f"XFEL: 127.0.0.1:{api.port} answered 500 instead of reports"
    assert problem in fetched.detail
    api.fault = None
    fetched = await feed.fetch("metar", now=after(1))
    assert (texts(fetched), fetched.problems, fetched.incomplete) == ([XFEL], (), False)


async def test_a_failure_that_lasts_is_told_once_and_again_when_it_comes_back(made: Made, api: StationApi) -> None:
    feed = made(at_once=1)
    fault = only(ok(b"", status="500 Oops"), "XNOR")
    told = []
    for minute, now_faulty in enumerate([True, True, False, True]):
        api.fault = fault if now_faulty else None
        told.append(len((await feed.fetch("metar", now=after(minute))).problems))
    assert told == [1, 0, 0, 1]


async def test_when_all_portions_fail_it_is_a_failure_and_the_host_is_left_alone(made: Made, api: StationApi) -> None:
    api.fault = lambda _: ok(b"", status="500 Oops")
    feed = made(FIVE, at_once=1)
    with pytest.raises(FeedError, match=r"feed few, metar: XBAY: .* answered 500 .*; 1 more requests failed"):
        await feed.fetch("metar", now=NOW)
    assert len(api.asked) == 2
    with pytest.raises(FeedBusy, match="left alone for another"):
        await feed.fetch("taf", now=NOW)
    assert len(api.asked) == 2


async def test_two_portions_that_always_fail_do_not_keep_the_rest_from_being_asked(made: Made, api: StationApi) -> None:
    api.fault = only(ok(b"", status="500 Oops"), "XBAY", "XFEL")
    feed = made(FIVE, at_once=1)
    with pytest.raises(FeedError):
        await feed.fetch("metar", now=NOW)
    fetched = await feed.fetch("metar", now=after(1))
    assert XNOR in texts(fetched)
    assert fetched.incomplete


async def test_an_incomplete_answer_makes_the_next_feed_needed(made: Made, api: StationApi) -> None:
    api.fault = only(ok(b"", status="500 Oops"), "XNOR")
    feed, other = made(at_once=1), made()
    health = after_answer(FeedHealth(), await feed.fetch("metar", now=NOW))
    assert "XNOR" in health.detail
    assert feeds_to_ask([feed, other], {"few": health}, "metar", after(1)) == (feed, other)


# Manners


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


# The other form


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


# What should not come


async def test_an_answer_that_is_packed_comes_through_both_ways(made: Made, api: StationApi) -> None:
    for answer in (
        ok(gzip.compress(XNOR.encode()), "Content-Type: application/gzip"),
        ok(gzip.compress(XNOR.encode()), "Content-Encoding: gzip"),
    ):
        api.fault = lambda _, answer=answer: answer
        assert texts(await made(["XNOR"]).fetch("metar", now=NOW)) == [XNOR]


@pytest.mark.parametrize(
    ("answer", "sentence"),
    [
        (ok(XNOR.encode() * 60_000), "larger than 2097152 bytes"),
        (ok(gzip.compress(bytes(3 << 20))), "unpacks to more than 2097152 bytes"),
        (ok(gzip.compress(XNOR.encode() * 9)[:40]), "the body ends early"),
        (ok(XNOR.encode()).replace(b"Content-Length: 55", b"Content-Length: 99"), "the exchange broke off"),
        (ok(b"", "Location: https://elsewhere.example.org/", status="301 Moved"), r"put the new address in \[\[feed\]\]"),
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


# Beside a bulk feed


async def test_it_stands_in_for_a_bulk_feed_while_that_fails(made: Made, http: HttpClients, api: StationApi) -> None:
    async with FeedServer() as server:
        server.publish_texts([XNOR.removeprefix("METAR ")], [], NOW)
        bulk = BulkFeed("world", http, Budgets(Random(1)), metar_url=server.metar_url)
        few = made()
        assert feeds_to_ask([bulk, few], {}, "metar", NOW) == (bulk,)
        server.fault = "outage"
        with pytest.raises(FeedError) as caught:
            await bulk.fetch("metar", now=NOW)
    healths = {"world": after_failure(FeedHealth(), caught.value, NOW)}
    assert feeds_to_ask([bulk, few], healths, "metar", after(1)) == (bulk, few)
    assert len((await few.fetch("metar", now=after(1))).reports) == 2
