"""The feed that is told, against Debian's mosquitto and a local web server.

What it promises: a report that a broker took for us is judged, though the broker, this process or the database stops in
between; and each is judged once, though several brokers bring it.
"""

from __future__ import annotations

import asyncio
import gzip
import threading
from collections.abc import AsyncIterator, Iterator, Sequence
from contextlib import asynccontextmanager
from datetime import timedelta
from pathlib import Path
from random import Random
from typing import Any

import pytest

from tests.feeds.wis2_scenes import (
    BULLETIN,
    METAR_TOPIC,
    NOW,
    TAF_BULLETIN,
    TAF_TOPIC,
    notification,
    packed,
    publish,
    publisher,
)
from tests.net.loopback import loopback, ok
from tests.notify.mosquitto import Mosquitto, free_port, mosquitto, password_file
from watcher.errors import FeedError
from watcher.feeds import wis2_notice
from watcher.feeds.budget import Budgets
from watcher.feeds.exchange import Exchange, Page
from watcher.feeds.model import Fetched, Outcome, What
from watcher.feeds.wis2 import Wis2Feed
from watcher.net import BrokerAddress, Guard, HttpClients, Login
from watcher.settings.model import WIS2_TOPICS

pytestmark = pytest.mark.anyio

# Everybody may do anything, and what is kept for those who are away outlives the broker.
LASTING = ("allow_anonymous true", "persistence true", "autosave_on_changes true", "autosave_interval 1")


def lasting(folder: Path) -> tuple[str, ...]:
    return (*LASTING, f"persistence_location {folder}/")


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Mosquitto]:
    with mosquitto(tmp_path) as running:
        yield running


class Clock:
    def __init__(self) -> None:
        self.now = NOW

    def __call__(self) -> object:
        return self.now


@asynccontextmanager
async def listening(
    *ports: int,
    allowed: Sequence[str] = ("127.0.0.0/8",),
    client_id: str = "hoarline-of-the-tests",
    topics: Sequence[str] = WIS2_TOPICS,
    login: Login | None = None,
    per_minute: int = 600,
    idle_s: float = 60.0,
    clock: Clock | None = None,
) -> AsyncIterator[Wis2Feed]:
    guard, random = Guard(allowed), Random(1)
    async with HttpClients(guard, contact="duty@example.org") as http:
        feed = Wis2Feed(
            "told",
            guard,
            http,
            Budgets(random, per_minute=per_minute),
            brokers=[BrokerAddress("127.0.0.1", port, False) for port in ports],
            login=login,
            client_id=client_id,
            topics=topics,
            keep=timedelta(hours=1),
            clock=clock or Clock(),  # type: ignore[arg-type]
            random=random,
            idle=timedelta(seconds=idle_s),
            gather_s=0.01,
            connect_within_s=5.0,
        )
        called: asyncio.Queue[What] = asyncio.Queue()
        feed.hear = called.put_nowait
        feed.called = called  # type: ignore[attr-defined]
        try:
            yield feed
        finally:
            await feed.aclose()


async def heard(feed: Wis2Feed, what: What = "metar") -> Fetched:
    """Wait until the feed calls for a question, and ask it."""
    async with asyncio.timeout(10):
        while await feed.called.get() != what:  # type: ignore[attr-defined]
            pass
    return await feed.fetch(what, now=NOW)


async def until(feed: Wis2Feed, **wanted: int) -> dict[str, int]:
    """Wait until so many messages had these fates, and return all of them."""
    async with asyncio.timeout(10):
        while any(feed._desk.fates[name] < count for name, count in wanted.items()):  # type: ignore[index]
            await asyncio.sleep(0.005)
    return {fate.value: count for fate, count in feed._desk.fates.items()}


def texts(fetched: Fetched) -> list[str]:
    return [report.text for report in fetched.reports]


def kept(fetched: Fetched) -> None:
    assert fetched.on_kept is not None
    fetched.on_kept()


async def connected(feed: Wis2Feed) -> None:
    await feed.fetch("metar", now=NOW)


async def test_a_bulletin_in_a_message_comes_as_reports_and_once(served: Mosquitto) -> None:
    async with listening(served.port) as feed:
        await connected(feed)
        with publisher(served.port) as client:
            await asyncio.to_thread(publish, client, notification(published_at=NOW - timedelta(seconds=7)))
        fetched = await heard(feed)
        assert texts(fetched) == ["METAR XNOR 120550Z 24008KT 3000 -FZDZ BKN008 M02/M03 Q1004"]
        assert (fetched.outcome, fetched.lag_s, fetched.messages) == (Outcome.CHANGED, 7.0, {"taken": 1})
        assert fetched.newest_at == NOW - timedelta(seconds=7)
        kept(fetched)
        again = await feed.fetch("metar", now=NOW)
        assert (again.outcome, again.reports) == (Outcome.UNCHANGED, ())
        assert "connected since 12 Jan 0600Z; last message 0 s ago; it came 7.0 s after it was published" in again.state


async def test_forecasts_wait_for_their_own_question(served: Mosquitto) -> None:
    async with listening(served.port) as feed:
        assert feed.brings == ("metar", "taf")
        await connected(feed)
        with publisher(served.port) as client:
            await asyncio.to_thread(publish, client, notification(TAF_BULLETIN), TAF_TOPIC)
        fetched = await heard(feed, "taf")
        assert [report.kind for report in fetched.reports] == ["TAF"]
        assert (await feed.fetch("metar", now=NOW)).reports == ()


async def test_what_could_not_be_kept_is_handed_over_again_until_it_is(served: Mosquitto) -> None:
    async with listening(served.port) as feed:
        await connected(feed)
        with publisher(served.port) as client:
            await asyncio.to_thread(publish, client, notification())
        first = await heard(feed)
        assert texts(await feed.fetch("metar", now=NOW, everything=True)) == texts(first)
        kept(await feed.fetch("metar", now=NOW))
        assert (await feed.fetch("metar", now=NOW)).reports == ()


async def test_what_was_not_kept_when_the_process_ended_comes_to_the_next_one_and_what_was_kept_does_not(
    served: Mosquitto,
) -> None:
    """The session is the broker's (MQTT 5.0, 3.1.2.4): also who takes over on another machine gets it."""
    async with listening(served.port) as feed:
        await connected(feed)
        with publisher(served.port) as client:
            await asyncio.to_thread(publish, client, notification(BULLETIN))
            kept(await heard(feed))
            await asyncio.to_thread(publish, client, notification(BULLETIN.replace(b"XNOR 12", b"XBAY 12")))
            assert "XBAY" in texts(await heard(feed))[0]
    with publisher(served.port) as client:
        await asyncio.to_thread(publish, client, notification(BULLETIN.replace(b"XNOR 12", b"XTAR 12")))
    async with listening(served.port) as feed:
        await connected(feed)
        await until(feed, taken=2)
        fetched = await feed.fetch("metar", now=NOW)
        assert sorted(text.split()[1] for text in texts(fetched)) == ["XBAY", "XTAR"]


async def test_a_broker_that_is_restarted_keeps_what_came_meanwhile(tmp_path: Path) -> None:
    with mosquitto(tmp_path, *lasting(tmp_path)) as served:
        async with listening(served.port) as feed:
            await connected(feed)
            await asyncio.sleep(0.2)  # the broker writes its file a moment after a change
            served.stop()
            async with asyncio.timeout(10):
                while feed._since() is not None:
                    await asyncio.sleep(0.01)
            with pytest.raises(FeedError, match="the connection broke off"):
                await feed.fetch("metar", now=NOW)
            served.start()
            with publisher(served.port) as client:
                await asyncio.to_thread(publish, client, notification())
            assert texts(await heard(feed))[0].startswith("METAR XNOR")
            assert "forgot" not in feed.state(NOW)


async def test_a_broker_that_forgot_us_is_said_because_something_may_be_missing(served: Mosquitto) -> None:
    async with listening(served.port) as feed:
        await connected(feed)
        served.stop()
        served.start()
        async with asyncio.timeout(10):
            while "forgot the session" not in feed.state(NOW):
                await asyncio.sleep(0.01)


async def test_two_brokers_bring_the_same_and_it_is_taken_once(tmp_path: Path) -> None:
    """The same message, and the copy of a cache: another id and link, the same data_id and pubtime."""
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    with mosquitto(tmp_path / "a") as one, mosquitto(tmp_path / "b") as other:
        async with listening(one.port, other.port) as feed:
            await connected(feed)
            async with asyncio.timeout(10):
                while "(2 of 2 brokers)" not in feed.state(NOW):
                    await asyncio.sleep(0.01)
            message = notification(message_id="one", data_id="wis2/xx/report")
            copy = notification(message_id="copy", data_id="wis2/xx/report")
            with publisher(one.port) as first, publisher(other.port) as second:
                await asyncio.to_thread(publish, first, message)
                await asyncio.to_thread(publish, second, message)
                await asyncio.to_thread(publish, second, copy)
            assert await until(feed, duplicate=2) == {"taken": 1, "duplicate": 2}
            assert len(texts(await feed.fetch("metar", now=NOW))) == 1
            other.stop()
            async with asyncio.timeout(10):
                while "(1 of 2 brokers)" not in feed.state(NOW):
                    await asyncio.sleep(0.01)
            fetched = await feed.fetch("metar", now=NOW)
            assert fetched.outcome is not Outcome.STALE
            assert any("broke off" in problem for problem in fetched.problems)
            assert (await feed.fetch("metar", now=NOW)).problems == ()


async def test_content_that_was_changed_on_the_way_is_refused_and_said(served: Mosquitto) -> None:
    message = notification()
    message["properties"]["content"]["value"] = BULLETIN.decode().replace("-FZDZ", "NSW")
    message["links"] = [{"href": "ftp://data.example.org/x", "rel": "canonical"}]
    async with listening(served.port) as feed:
        await connected(feed)
        with publisher(served.port) as client:
            await asyncio.to_thread(publish, client, message)
        await until(feed, refused=1)
        fetched = await feed.fetch("metar", now=NOW)
        assert fetched.reports == ()
        assert any("checksum differs" in problem for problem in fetched.problems)


async def test_content_behind_a_link_is_fetched_and_checked(served: Mosquitto) -> None:
    async with loopback(ok(BULLETIN, "Content-Type: text/plain")) as web, listening(served.port) as feed:
        await connected(feed)
        with publisher(served.port) as client:
            await asyncio.to_thread(publish, client, notification(encoding=None, href=web.url(path="/b.txt")))
            assert texts(await heard(feed))[0].startswith("METAR XNOR")
            assert b"GET /b.txt" in web.requests[0]
            wrong = notification(TAF_BULLETIN, encoding=None, href=web.url())
            await asyncio.to_thread(publish, client, wrong)
            async with asyncio.timeout(10):
                while not any(linked.tries for linked in feed._desk.links.values()):
                    await asyncio.sleep(0.005)
        assert (await feed.fetch("taf", now=NOW)).reports == ()


async def test_content_behind_a_link_is_unpacked_beside_the_rounds_and_not_in_them(
    served: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    threads: list[int] = []

    def gunzip(body: bytes, limit_bytes: int) -> bytes:
        threads.append(threading.get_ident())
        return taken_apart(body, limit_bytes)

    taken_apart = wis2_notice.gunzip
    monkeypatch.setattr(wis2_notice, "gunzip", gunzip)
    whole = gzip.compress(BULLETIN)
    async with loopback(ok(whole, "Content-Type: application/gzip")) as web, listening(served.port) as feed:
        await connected(feed)
        with publisher(served.port) as client:
            await asyncio.to_thread(publish, client, notification(whole, encoding=None, href=web.url(path="/b.gz")))
            assert texts(await heard(feed))[0].startswith("METAR XNOR")
    assert len(threads) == 1
    assert threads[0] != threading.get_ident()


async def test_a_link_that_fails_is_tried_again_given_up_and_new_when_another_brings_it(served: Mosquitto) -> None:
    clock = Clock()
    gone = b"HTTP/1.1 404 Not Found\r\nContent-Length: 0\r\n\r\n"
    async with loopback(gone) as web, listening(served.port, clock=clock) as feed:
        await connected(feed)
        with publisher(served.port) as client:
            message = notification(encoding=None, data_id="wis2/lost", href=web.url())
            await asyncio.to_thread(publish, client, message)
            async with asyncio.timeout(20):
                while feed._desk.links or not web.requests:
                    clock.now += timedelta(minutes=2)
                    await asyncio.sleep(0.02)
            assert len(web.requests) == 3
            fetched = await feed.fetch("metar", now=NOW)
            assert any("404" in problem for problem in fetched.problems)
            assert fetched.messages == {"unreached": 1}
            await asyncio.to_thread(publish, client, notification(data_id="wis2/lost"))
        assert texts(await heard(feed))


@pytest.mark.parametrize(
    "href", ["http://169.254.169.254/latest/meta-data", "http://10.0.0.7/x", "http://[::1]/x", "http://127.0.0.2/x"]
)
async def test_a_link_to_where_nothing_may_be_reached_is_refused_at_once(served: Mosquitto, href: str) -> None:
    async with listening(served.port, allowed=("127.0.0.1/32",)) as feed:
        await connected(feed)
        with publisher(served.port) as client:
            await asyncio.to_thread(publish, client, notification(encoding=None, href=href))
        await until(feed, unreached=1)
        fetched = await feed.fetch("metar", now=NOW)
        assert any("refused to connect" in problem for problem in fetched.problems)


@pytest.mark.parametrize(
    "href", ["http://[/x", "http://[zz]/x", "http://ex\u2100ample/", "http://xn--/x", "http://a:99999/"]
)
async def test_a_link_of_a_wrong_form_is_said_and_acknowledged_and_the_next_is_followed(
    served: Mosquitto, href: str
) -> None:
    async with loopback(ok(BULLETIN, "Content-Type: text/plain")) as web, listening(served.port) as feed:
        await connected(feed)
        with publisher(served.port) as client:
            await asyncio.to_thread(publish, client, notification(encoding=None, href=href, data_id="wis2/odd"))
            await asyncio.to_thread(publish, client, notification(encoding=None, href=web.url()))
        fetched = await heard(feed)
        assert texts(fetched)[0].startswith("METAR XNOR")
        assert [problem.partition(":")[0] for problem in fetched.problems] == ["wis2/odd"]
        kept(fetched)
    async with listening(served.port) as again:
        await connected(again)
        await asyncio.sleep(0.3)
        assert again._desk.last_at is None


async def test_whatever_a_link_raises_ends_the_following_of_no_other(
    served: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The way out and the readers raise errors of their own; what else they raise is one link's trouble."""
    whole = Exchange.ask
    clock = Clock()

    async def ask(exchange: Exchange, url: str, *given: Any, **more: Any) -> Page:
        if url.endswith("/odd"):
            raise ExceptionGroup("all at once", [OverflowError("port")])
        return await whole(exchange, url, *given, **more)

    monkeypatch.setattr(Exchange, "ask", ask)
    async with loopback(ok(BULLETIN, "Content-Type: text/plain")) as web, listening(served.port, clock=clock) as feed:
        await connected(feed)
        with publisher(served.port) as client:
            odd = notification(encoding=None, href=web.url(path="/odd"), data_id="wis2/odd")
            await asyncio.to_thread(publish, client, odd)
            await asyncio.to_thread(publish, client, notification(encoding=None, href=web.url(path="/even")))
            assert texts(await heard(feed))[0].startswith("METAR XNOR")
            async with asyncio.timeout(20):
                while feed._desk.links:
                    clock.now += timedelta(minutes=2)
                    await asyncio.sleep(0.02)
        fetched = await feed.fetch("metar", now=NOW)
        assert fetched.messages == {"unreached": 1}
        assert any("wis2/odd: its link could not be read (ExceptionGroup" in told for told in fetched.problems)


async def test_a_host_is_asked_no_more_often_than_its_budget_allows(served: Mosquitto) -> None:
    answer = ok(BULLETIN, "Content-Type: text/plain")
    async with loopback(answer) as web, listening(served.port, per_minute=3) as feed:
        await connected(feed)
        with publisher(served.port) as client:
            for _ in range(8):
                await asyncio.to_thread(publish, client, notification(encoding=None, href=web.url()))
        await until(feed, taken=3)
        await asyncio.sleep(0.3)
        assert len(web.requests) == 3
        assert "5 links wait" in feed.state(NOW)


async def test_deletions_practice_and_nonsense_are_counted_and_hold_nobody_up(served: Mosquitto) -> None:
    practice = METAR_TOPIC.replace("xx-northby", "xx-northby-test")
    gone = notification(relation="http://def.wmo.int/def/rel/wnm/-/deletion", data_id="wis2/gone")
    async with listening(served.port) as feed:
        await connected(feed)
        with publisher(served.port) as client:
            await asyncio.to_thread(publish, client, notification(), practice)
            await asyncio.to_thread(publish, client, gone)
            for payload in (b"", b"\x00\xff", b"[" * 20_000, b"x" * 40_000, b'{"type":"Feature"}'):
                await asyncio.to_thread(publish, client, payload)
            await asyncio.to_thread(publish, client, b"y" * 100_000)  # the broker keeps it: more than we said we take
            await asyncio.to_thread(publish, client, notification())
        fates = await until(feed, taken=1)
        assert fates == {"practice": 1, "withdrawn": 1, "wrong": 5, "taken": 1}
        fetched = await feed.fetch("metar", now=NOW)
        assert any("wis2/gone was withdrawn" in problem for problem in fetched.problems)
        assert all(problem.isprintable() for problem in fetched.problems)


async def test_a_publication_from_the_future_is_taken_and_says_nothing_of_the_lag(served: Mosquitto) -> None:
    async with listening(served.port) as feed:
        await connected(feed)
        with publisher(served.port) as client:
            await asyncio.to_thread(publish, client, notification(published_at=NOW + timedelta(days=2)))
        fetched = await heard(feed)
        assert len(fetched.reports) == 1
        assert (fetched.lag_s, fetched.newest_at) == (None, None)


async def test_who_is_asked_no_more_listens_no_more_and_lets_another_have_it(served: Mosquitto) -> None:
    """A process that leads no longer is not asked: the one that took over has the session."""
    async with listening(served.port, idle_s=0.2) as feed:
        await connected(feed)
        async with asyncio.timeout(10):
            while feed._tasks or feed._since() is not None:
                await asyncio.sleep(0.01)
        with publisher(served.port) as client:
            await asyncio.to_thread(publish, client, notification())
        async with asyncio.timeout(10):
            while not texts(await feed.fetch("metar", now=NOW)):
                await asyncio.sleep(0.01)


async def test_one_message_that_breaks_the_reader_is_said_and_makes_the_feed_deaf_to_no_other(
    served: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with listening(served.port) as feed:
        await connected(feed)
        with publisher(served.port) as client:
            with monkeypatch.context() as broken:
                broken.setattr("watcher.feeds.wis2.read_letter", lambda *_: 1 // 0)
                await asyncio.to_thread(publish, client, notification())
                await until(feed, wrong=1)
            await asyncio.to_thread(publish, client, notification())
        fetched = await heard(feed)
        assert len(fetched.reports) == 1
        assert any("could not be read (ZeroDivisionError" in problem for problem in fetched.problems)


async def test_a_feed_that_breaks_inside_says_so_and_begins_anew(
    served: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing that a message holds should do this; if it does, nobody must wait for a feed that no longer listens."""
    async with listening(served.port) as feed:
        await connected(feed)
        with monkeypatch.context() as broken, publisher(served.port) as client:
            broken.setattr("watcher.feeds.wis2._read_all", lambda *_: 1 // 0)
            await asyncio.to_thread(publish, client, notification())
            async with asyncio.timeout(10):
                while not any(task.done() for task in feed._tasks):
                    await asyncio.sleep(0.005)
        with pytest.raises(FeedError, match="it stopped, and begins anew"):
            await feed.fetch("metar", now=NOW)
        async with asyncio.timeout(10):
            while not texts(await feed.fetch("metar", now=NOW)):
                await asyncio.sleep(0.01)


async def test_a_second_process_with_the_same_name_takes_the_session_over(served: Mosquitto) -> None:
    async with listening(served.port) as first:
        await connected(first)
        async with listening(served.port) as second:
            await connected(second)
            async with asyncio.timeout(10):
                while first._since() is not None:
                    await asyncio.sleep(0.01)
            with pytest.raises(FeedError, match="the connection broke off"):
                await first.fetch("metar", now=NOW)
            await first.aclose()
            with publisher(served.port) as client:
                await asyncio.to_thread(publish, client, notification())
            assert texts(await heard(second))


async def test_a_broker_that_is_not_there_is_said_in_words() -> None:
    async with listening(free_port()) as feed:
        with pytest.raises(FeedError, match=r"feed told, metar: mqtt://127\.0\.0\.1:\d+: no connection"):
            await feed.fetch("metar", now=NOW)


async def test_the_guard_judges_the_broker(served: Mosquitto) -> None:
    async with listening(served.port, allowed=()) as feed:
        with pytest.raises(FeedError, match="refused to connect"):
            await feed.fetch("metar", now=NOW)


async def test_a_wrong_login_and_a_topic_that_is_not_for_us_are_said_in_words(tmp_path: Path) -> None:
    passwords = password_file(tmp_path, "everyone", "everyone")
    with mosquitto(tmp_path, "allow_anonymous false", f"password_file {passwords}") as served:
        async with listening(served.port, login=Login("everyone", "wrong")) as feed:
            with pytest.raises(FeedError, match="refused the connection"):
                await feed.fetch("metar", now=NOW)
        async with listening(served.port, login=Login("everyone", "everyone")) as feed:
            assert (await feed.fetch("metar", now=NOW)).outcome is Outcome.UNCHANGED


async def test_a_topic_that_the_settings_no_longer_have_is_passed_over(served: Mosquitto) -> None:
    """The session remembers it (MQTT 5.0, 4.1); what still comes there must not fill what may be on its way."""
    async with listening(served.port, topics=["cache/a/wis2/+/data/#"]) as feed:
        await connected(feed)
    async with listening(served.port, topics=[METAR_TOPIC]) as feed:
        assert feed.brings == ("metar",)
        await connected(feed)
        with publisher(served.port) as client:
            for _ in range(2100):
                client.publish(TAF_TOPIC, packed(notification(TAF_BULLETIN)), qos=1)
            await asyncio.to_thread(publish, client, notification())
        assert len(texts(await heard(feed))) == 1


async def test_a_feed_that_hears_nothing_for_long_counts_as_old(served: Mosquitto) -> None:
    async with listening(served.port) as feed:
        await connected(feed)
        later = await feed.fetch("metar", now=NOW + timedelta(hours=2))
        assert (later.outcome, later.detail) == (Outcome.STALE, "nothing came since it is connected")
        assert (await feed.fetch("taf", now=NOW + timedelta(hours=2))).outcome is Outcome.UNCHANGED
