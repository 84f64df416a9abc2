"""What pages hear while they are open, and how the streams behave together: seats, slowness, the end of the service."""

from __future__ import annotations

import asyncio
import json
import shutil
import socket
import sys
import time
from contextlib import AsyncExitStack
from dataclasses import replace

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st
from playwright.async_api import Browser

from tests.web.board_scenes import morning
from tests.web.browsing import DESK, sign_in, window
from tests.web.listening import Heard, Parser, listening, long_open
from tests.web.scenes import house_around, served
from tests.web.test_api import refused
from tests.web.test_events_api import blind, event, stream, tell
from watcher.alerts.model import StationState, StationView
from watcher.errors import StoreError
from watcher.reports.station import Station
from watcher.rulebook.words import Level
from watcher.store.store import Store
from watcher.web import live, live_stream
from watcher.web.live import LiveEvents
from watcher.web.live_lines import Wanted, frame, stations_frame

pytestmark = pytest.mark.anyio
FZRA = "08006KT 2000 FZRA OVC006 M02/M03 Q0998"


@pytest.fixture(scope="module")
async def long_site():
    async with long_open() as opened:
        yield opened


@pytest.fixture
async def site(store, long_site):
    return await long_site.over(store)


def page(opened, mark: str | None = None, **how):
    return listening(opened.client, f"{opened.origin}/live", mark, **how)


async def begun(heard) -> str:
    await heard.until(lambda: heard.parser.mark)
    return heard.parser.mark


# Framing


@given(
    st.text(), st.text(st.characters(exclude_characters="\r\n\0")), st.text(st.characters(exclude_characters="\r\n\0"))
)
def test_whatever_is_said_arrives_as_one_event(data, type_, mark):
    """Read by a reader written from the standard; line ends in data become line feeds there."""
    data, type_, mark = (text.encode(errors="replace").decode() for text in (data, type_, mark))
    parser = Parser()
    parser.take((frame(data, event=type_, mark=mark) + frame("after", event="next")).decode())
    as_read = data.replace("\r\n", "\n").replace("\r", "\n")
    assert parser.heard == [Heard(type_ or "message", as_read, mark), Heard("next", "after", mark)]


@pytest.mark.parametrize("wrong", ["a\nb", "a\rb", "a\0b"])
def test_a_type_or_an_id_that_would_end_its_line_is_an_error(wrong):
    with pytest.raises(ValueError, match="line end"):
        frame("x", event=wrong)
    with pytest.raises(ValueError, match="line end"):
        frame("x", mark=wrong)


def test_many_stations_at_once_are_told_as_the_whole_page():
    codes = [f"X{number:03d}" for number in range(501)]
    parser = Parser()
    parser.take((stations_frame(codes[:500], "1") + stations_frame(codes, "2") + stations_frame((), "3")).decode())
    assert [one.type for one in parser.heard] == ["stations", "refresh"]
    assert parser.heard[0].data.split() == codes[:500]
    assert parser.mark == "3"


# Pages


async def test_a_page_hears_which_stations_changed_and_what_was_told(opened):
    await opened.sign_in("read")
    async with page(opened) as heard:
        await begun(heard)
        opened.report("XTAR", FZRA)
        heard_now = {one.type: one for one in await heard.next(2)}
        assert heard_now["stations"].data == "XTAR"
        alert = json.loads(heard_now["alert"].data)
        assert (alert["station"], alert["type"]) == ("XTAR", "icing.episode.opened")
        assert alert["headline"].startswith("XTAR no-time") or alert["headline"].startswith("XTAR treat")
        assert alert["event"].startswith(alert["episode"])


async def test_a_turn_in_which_nothing_changed_says_nothing(opened):
    await opened.sign_in("read")
    async with page(opened) as heard:
        await begun(heard)
        for _ in range(3):
            opened.turn()
        opened.report("XLOW", "29009KT 9999 BKN025 02/M01 Q1008")
        (one,) = await heard.next()
        assert (one.type, one.data) == ("stations", "XLOW")


async def test_a_page_about_one_station_hears_of_it_alone(opened):
    await opened.sign_in("read")
    async with page(opened, params={"station": ["XTAR", "XMOR"]}) as heard:
        await begun(heard)
        opened.report("XLOW", FZRA)
        opened.report("XTAR", FZRA)
        assert {one.type for one in await heard.next(2)} == {"alert", "stations"}
        assert all("XLOW" not in one.data for one in heard.parser.heard)


async def test_a_page_misses_nothing_between_its_making_and_its_listening(opened):
    await opened.sign_in("read")
    mark = await opened_live(opened).mark()
    opened.report("XTAR", FZRA)
    opened.report("XLOW", "29009KT 9999 BKN025 02/M01 Q1008")
    async with page(opened, params={"since": mark}) as heard:
        told = await heard.next(2)
        assert sorted(code for one in told if one.type == "stations" for code in one.data.split()) == ["XLOW", "XTAR"]
        assert [one.type for one in told].count("alert") == 1


async def test_a_page_that_comes_back_hears_what_it_missed_once(opened):
    await opened.sign_in("read")
    async with page(opened) as heard:
        mark = await begun(heard)
        opened.report("XTAR", FZRA)
        await heard.next(2)
        mark = heard.parser.mark
    opened.report("XBAY", FZRA)
    async with page(opened, mark) as heard:
        await heard.until(lambda: {one.type for one in heard.parser.heard} == {"alert", "stations"})
        told = await heard.next(len(heard.parser.heard))
        assert all("XBAY" in one.data for one in told)
        assert [one.type for one in told].count("stations") == 1
        opened.report("XLOW", "29009KT 9999 BKN025 02/M01 Q1008")
        (one,) = await heard.next()
        assert (one.type, one.data) == ("stations", "XLOW")


@pytest.mark.parametrize("mark", ["0.00000000.0", "x", "99999.00000000.0", "1.2.3", "1"])
async def test_a_page_with_a_mark_of_another_start_fetches_itself_whole(opened, mark):
    await opened.sign_in("read")
    async with page(opened, mark) as heard:
        (one,) = await heard.next()
        assert one.type == "refresh"
        assert one.mark == await opened_live(opened).mark()


async def test_a_page_hears_of_all_stations_after_a_restart(judged_morning, tmp_path):
    source, by_station = judged_morning
    shutil.copyfile(source, tmp_path / "morning.db")
    store = Store.open(f"sqlite:///{tmp_path / 'morning.db'}")
    try:
        async with morning(store, by_station) as first:
            await first.sign_in("read")
            cookies = dict(first.client.cookies)
            async with page(first) as heard:
                mark = await begun(heard)
        async with morning(store, by_station) as second:
            second.client.cookies.update(cookies)
            async with page(second, mark) as heard:
                assert [one.type for one in await heard.next()] == ["refresh"]
    finally:
        store.close()


async def test_nobody_listens_without_signing_in(opened):
    answer = await opened.client.get(f"{opened.origin}/live")
    assert answer.status_code == 401
    assert "text/event-stream" not in answer.headers["content-type"]


async def test_whoever_leaves_hears_nothing_more(opened, monkeypatch):
    monkeypatch.setattr(live_stream, "LOOK_AT_PASS_S", 0.05)
    monkeypatch.setattr(live_stream, "BEAT_S", 0.05)
    await opened.sign_in("read")
    async with page(opened) as heard:
        await begun(heard)
        await opened.post("/leave")
        await heard.until(heard.over.is_set)


async def test_a_station_that_is_no_longer_watched_is_told_as_changed(store):
    shown = {code: StationView(Station(code), StationState(code)) for code in ("XNOR", "XBAY")}
    views, hearers = [shown], []
    house = house_around(store, views=lambda: views[0], after_turn=hearers.append)
    following = LiveEvents(house)
    await following.begin()
    views[0] = {"XNOR": shown["XNOR"], "XFEL": StationView(Station("XFEL"), StationState("XFEL"))}
    hearers[0]()
    async with asyncio.timeout(5):
        while following.turn == 0:
            await asyncio.sleep(0.01)
    assert following.changed_since(following.start, 0) == ("XBAY", "XFEL")
    assert following.changed_since("other", 0) is None
    assert following.changed_since(following.start, 2) is None
    await following.close()


@pytest.mark.slow
async def test_a_browser_hears_and_comes_back_by_itself(opened, chromium: Browser):
    """The browser's own EventSource, with the policy of our pages in force."""
    async with window(chromium, opened.origin, DESK) as (_, seen):
        await sign_in(seen, opened.origin, opened.token())
        await seen.page.evaluate(
            """() => { window.told = []; const source = new EventSource('/live');
            for (const type of ['stations', 'alert', 'refresh', 'open'])
                source.addEventListener(type, event => window.told.push([type, event.data])); }"""
        )
        await seen.page.wait_for_function("() => window.told.some(one => one[0] === 'open')")
        opened.report("XTAR", FZRA)
        await seen.page.wait_for_function("() => window.told.some(one => one[0] === 'stations' && one[1] === 'XTAR')")
        await seen.page.wait_for_function("() => window.told.some(one => one[0] === 'alert')")
        # The stream ends here; the browser comes back with its mark, which is of another start by then.
        opened_live(opened)._following.cancel()
        await seen.page.wait_for_function("() => window.told.some(one => one[0] === 'refresh')")


# All streams together


async def test_seats_are_bounded_for_one_token_and_for_all(site, monkeypatch):
    monkeypatch.setattr(live, "MOST_OF_ONE", 2)
    monkeypatch.setattr(live, "MOST_STREAMS", 3)
    one, other = site.token("read", name="one"), site.token("read", name="other")
    address = f"{site.origin}/api/v1/events/stream"
    async with stream(site, one), stream(site, one):
        answer = await site.client.get(address, headers=one)
        refused(answer, 429)
        assert int(answer.headers["retry-after"]) > 0
        async with stream(site, other):
            answer = await site.client.get(address, headers=other)
            refused(answer, 503)
            assert int(answer.headers["retry-after"]) > 0
    async with asyncio.timeout(5):
        # A place is free as soon as its reader has left, not at the next beat.
        while (await site.client.get(f"{site.origin}/api/v1/events", headers=one)).status_code != 200:
            await asyncio.sleep(0.01)
        async with stream(site, one), stream(site, one):
            pass


async def test_streams_take_no_place_of_ordinary_requests(site, monkeypatch):
    monkeypatch.setattr("watcher.web.bounds.MOST_AT_ONCE", 3)
    headers = site.token("read")
    async with AsyncExitStack() as stack:
        for _ in range(8):
            await stack.enter_async_context(stream(site, headers))
        assert (await site.client.get(f"{site.origin}/api/v1/events", headers=headers)).status_code == 200


async def test_a_beat_keeps_a_silent_stream_open(site, monkeypatch):
    monkeypatch.setattr(live_stream, "BEAT_S", 0.05)
    async with stream(site) as heard:
        await heard.until(lambda: heard.parser.comments >= 3)
        assert heard.parser.retry_ms
        assert 2000 <= heard.parser.retry_ms < 5000


async def test_what_was_not_wanted_need_not_be_looked_through_again(site, store, monkeypatch):
    monkeypatch.setattr(live_stream, "BEAT_S", 0.05)
    async with stream(site, params={"station": "XBAY"}) as heard:
        await begun(heard)
        tell(store, event(1), event(2))
        await heard.until(lambda: heard.parser.mark == "2")
        assert heard.nothing_more()


async def test_a_reader_that_fell_behind_reads_on_from_the_store(site, store, monkeypatch, long_site):
    """Where the list of newest lines is shorter than what came between two looks of a reader."""
    monkeypatch.setattr(long_site.live, "_lines", type(long_site.live._lines)(maxlen=5))
    async with stream(site) as heard:
        await begun(heard)
        for first in range(0, 300, 60):
            tell(store, *(event(first + number) for number in range(1, 61)))
        assert [int(one.mark) for one in await heard.next(300)] == list(range(1, 301))


async def test_one_that_does_not_read_holds_up_nobody(site, store):
    """A reader that takes nothing gets little into memory here, and all others get everything at once."""
    headers = site.token("read")
    port = int(site.origin.rpartition(":")[2])
    with socket.socket() as idle:
        idle.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        await asyncio.to_thread(idle.connect, ("127.0.0.1", port))
        head = f"GET /api/v1/events/stream HTTP/1.1\r\nHost: x\r\nAuthorization: {headers['Authorization']}\r\n\r\n"
        idle.sendall(head.encode())
        async with stream(site, headers) as heard:
            await begun(heard)
            for _ in range(4):
                first = int(heard.parser.mark)
                tell(store, *(event(first + number, why="x" * 4000) for number in range(1, 101)))
                assert [int(one.mark) for one in await heard.next(100)] == list(range(first + 1, first + 101))
    assert first == 300


async def test_the_streams_end_at_once_when_the_service_does(store):
    async with AsyncExitStack() as stack:
        opened = await stack.enter_async_context(AsyncExitStack())
        site = await opened.enter_async_context(served(store))
        async with httpx.AsyncClient() as client:
            outside, headers = replace(site, client=client), site.token("read")
            async with stream(outside, headers) as one, stream(outside, headers) as other:
                await begun(one)
                await begun(other)
                before = time.monotonic()
                await opened.aclose()
                # The grace time for answers under way is three seconds.
                assert time.monotonic() - before < 1.5
                await one.until(one.over.is_set)
                await other.until(other.over.is_set)


async def test_a_store_that_fails_for_a_while_loses_nothing(site, store, monkeypatch, capsys):
    asks, fails = store.events_after, [True]

    def failing(*asked):
        if fails[0]:
            raise StoreError("the disk failed")
        return asks(*asked)

    async with stream(site) as heard:
        await begun(heard)
        monkeypatch.setattr(store, "events_after", failing)
        tell(store, event(1), event(2))
        await asyncio.sleep(1.2)
        fails[0] = False
        assert [one.mark for one in await heard.next(2)] == ["1", "2"]
    assert capsys.readouterr().out.count("does not tell its events") == 1


async def test_live_events_that_break_begin_anew_and_the_readers_come_back(site, store, long_site, monkeypatch):
    headers = site.token("read")
    async with stream(site, headers) as heard:
        mark = await begun(heard)
        with monkeypatch.context() as patch:
            patch.setattr(store, "events_after", lambda *_: 1 / 0)
            long_site.live.wake()
            await heard.until(heard.over.is_set)
    tell(store, event(1))
    async with stream(site, headers, mark=mark) as heard:
        assert [one.mark for one in await heard.next()] == ["1"]


async def test_open_streams_are_counted_as_they_come_and_go(store):
    """The gauge hoarline_event_streams: how many listen now, not how many ever did."""

    class Ear:
        def wake(self) -> None: ...

    counted: list[int] = []
    following = LiveEvents(house_around(store, count_streams=counted.append))
    with following.seat(Ear(), "board"):
        with following.seat(Ear(), None):
            assert counted == [1, 2]
        with pytest.raises(ZeroDivisionError), following.seat(Ear(), "board"):
            raise ZeroDivisionError
    assert counted == [1, 2, 1, 2, 1, 0]


async def test_no_stream_begins_once_the_service_stops(store):
    following = LiveEvents(house_around(store))
    await following.close()
    with pytest.raises(Exception, match="stopping"):
        await following.begin()


# What is wanted


def test_a_listener_that_asked_for_nothing_in_particular_hears_all():
    assert all(Wanted().takes(one) for one in (event(1), blind(), event(2, level=Level.NOTE)))


@pytest.mark.skipif(sys.platform != "linux", reason="RFC 5482 on Linux")
async def test_a_reader_that_is_gone_without_a_word_is_noticed(store):
    """RFC 5482: what is not acknowledged for so long ends the connection; listeners hand the setting on."""
    from watcher.web.server import _SILENT_MS, _listen

    with _listen("127.0.0.1", 0) as listener, socket.create_connection(listener.getsockname()):
        taken, _ = listener.accept()
        with taken:
            assert taken.getsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT) == _SILENT_MS <= 60_000


def opened_live(opened) -> LiveEvents:
    return next(one.__self__ for one in opened.hearers if isinstance(getattr(one, "__self__", None), LiveEvents))
