"""The station API against a real local one: it is asked only for what is watched, gently, and every fault is told."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from random import Random

import pytest

from tests.feeds.query_scenes import FIVE, NOW, TAF, XBAY, XFEL, XNOR, Made, after, only, texts
from tests.feeds.station_api import StationApi, no_content
from tests.net.loopback import loopback, ok
from watcher.demo.feed_server import FeedServer
from watcher.errors import FeedBusy, FeedError
from watcher.feeds.budget import Budgets
from watcher.feeds.bulk import BulkFeed
from watcher.feeds.health import FeedHealth, after_answer, after_failure, feeds_to_ask
from watcher.feeds.model import Outcome
from watcher.feeds.query import REQUESTS_A_ROUND, QueryFeed
from watcher.net import HttpClients

pytestmark = pytest.mark.anyio


@pytest.fixture
def budgets() -> Budgets:
    return Budgets(Random(1))


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
def test_what_is_no_station_code_never_comes_into_an_address(budgets: Budgets, code: str) -> None:
    with pytest.raises(ValueError, match="no station code"):
        QueryFeed("few", None, budgets, ["XNOR", code], metar_url="http://127.0.0.1/?ids={ids}")  # type: ignore[arg-type]


def test_a_list_without_a_station_is_refused(budgets: Budgets) -> None:
    with pytest.raises(ValueError, match="no station to ask for"):
        QueryFeed("few", None, budgets, [], metar_url="http://127.0.0.1/?ids={ids}")  # type: ignore[arg-type]


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


async def test_a_station_that_is_missing_once_among_others_does_not_come_twice(made: Made, api: StationApi) -> None:
    feed = made()
    await feed.fetch("metar", now=NOW)
    gone = api.metars.pop("XNOR")
    assert (await feed.fetch("metar", now=after(1))).outcome is Outcome.UNCHANGED
    api.metars["XNOR"] = gone
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


async def test_failures_here_and_there_do_not_end_a_round(made: Made, api: StationApi) -> None:
    api.fault = only(ok(b"", status="500 Oops"), "XBAY", "XMOR", "XTAR")
    fetched = await made(FIVE, at_once=1).fetch("metar", now=NOW)
    assert [asked.ids[0] for asked in api.asked] == FIVE
    assert len(fetched.problems) == 3


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
