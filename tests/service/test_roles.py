"""Several processes at one store: one polls and judges, another sends, a third shows; each is enough for its own part."""

from __future__ import annotations

import asyncio
import time
from contextlib import AsyncExitStack
from datetime import timedelta
from random import Random
from threading import Event

import pytest

from tests.service.night_watch import surroundings
from tests.service.test_service import text, until
from watcher.clock import utc_now
from watcher.service.manage import Management
from watcher.service.service import Service
from watcher.settings import load_settings
from watcher.store.store import Store
from watcher.web.serving import pages_of

pytestmark = pytest.mark.anyio
PAGES = """
[web]
bind = "127.0.0.1:0"
"""


def service(around, *roles, pages=None) -> Service:
    return Service(load_settings(around.settings, {}), random=Random(1), roles=roles, pages=pages)


async def test_who_does_not_send_leaves_the_messages_to_who_does(tmp_path):
    async with surroundings(tmp_path, ["XNOR"], every="3s") as around:
        around.publish([text("XNOR", "-FZDZ", 5)], utc_now())
        async with service(around, "poller") as judging:
            await until(lambda: judging.store.outbox_counts()["pending"] > 0)
            assert around.webhook.posts == []
            async with service(around, "sender") as sending:
                assert not sending.leading
                await until(lambda: len(around.webhook.posts) == 1)


async def test_a_process_that_sends_no_more_or_takes_no_turn_asks_to_be_started_again(tmp_path):
    now = [utc_now()]
    async with surroundings(tmp_path, ["XNOR"], every="1h", clock=lambda: now[0]) as around:
        around.publish([text("XNOR", "", 5)], now[0])
        settings = load_settings(around.settings, {})
        async with Service(settings, clock=lambda: now[0], random=Random(1)) as alone:
            await until(lambda: alone.keeper.last_turn_at and not alone.duties._soon)
            assert alone._alive() is None
            # It begins anew: what it did in its last term says nothing of this one.
            now[0] += timedelta(hours=11)
            await alone.keeper.begin()
            assert alone._alive() is None
            now[0] += timedelta(hours=10, minutes=1)
            assert str(alone._alive()).startswith("no turn has been committed since")
            await alone.schedule.run_now("tick")
            assert alone._alive() is None
            await alone.sender.stop()
            await until(alone._alive)
            assert alone._alive() == "no message is sent any more"


async def test_another_poller_stands_by_and_takes_over(tmp_path):
    async with surroundings(tmp_path, ["XNOR"], every="3s") as around, AsyncExitStack() as stack:
        around.publish([text("XNOR", "", 35)], utc_now())
        first, second = service(around, "poller"), service(around, "poller", "sender")
        await stack.enter_async_context(first)
        await until(lambda: first.views["XNOR"].latest is not None)
        async with second:
            assert (bool(first.leading), bool(second.leading)) == (True, False)
            assert (await second.ready()).values == {"role": "stands by"}
            await stack.aclose()
            await until(lambda: bool(second.leading))
            around.publish([text("XNOR", "-FZDZ", 5)], utc_now())
            await until(lambda: len(around.webhook.posts) == 1)
            assert (await second.ready()).values["role"] == "leads"


async def test_who_takes_over_while_somebody_changes_a_subscription_judges_all_the_same(tmp_path, monkeypatch):
    """The store takes its time to say who was told what: a look at the people must not forget what is being loaded."""
    async with surroundings(tmp_path, ["XNOR"], every="1h") as around, AsyncExitStack() as stack:
        around.publish([text("XNOR", "-FZDZ", 5)], utc_now())
        first, second = service(around, "poller"), service(around, "poller")
        await stack.enter_async_context(first)
        await until(lambda: first.store.outbox_counts()["pending"] == 2)
        opened = [episode.id for episode in first.store.episodes(True)]
        async with second:
            read, looking, subscriber = second.store.told, Event(), Store.open(second.settings.text.store.url)

            def slowly(now):
                looking.set()
                time.sleep(0.3)
                return read(now)

            monkeypatch.setattr(second.store, "told", slowly)
            leaving = asyncio.create_task(stack.aclose())
            await asyncio.to_thread(looking.wait, 10)
            people = Management(second.settings, subscriber, second.watch.stations.get)
            mine = {"name": "mine", "to": ["room"], "flags": ["all"]}
            await asyncio.to_thread(people.add_subscription, mine, utc_now())
            await second._neighbours.follow_all()
            await until(lambda: bool(second.leading))
            await leaving
            assert list(second.views) == ["XNOR"]
            await second.schedule.run_now("tick")
            assert [episode.id for episode in second.store.episodes(True)] == opened
            subscriber.close()


async def test_pages_elsewhere_show_what_the_leader_writes_and_tell_it_what_was_pressed(tmp_path):
    async with surroundings(tmp_path, ["XNOR"], every="3s", more=PAGES) as around:
        around.publish([text("XNOR", "-FZDZ", 5)], utc_now())
        async with service(around, "poller", "sender") as judging, service(around, "web", pages=pages_of) as showing:
            await until(lambda: len(around.webhook.posts) == 1)
            await until(lambda: showing.views.get("XNOR") is not None and bool(showing.views["XNOR"].episodes))
            assert showing.views["XNOR"].latest == judging.views["XNOR"].latest
            episode = next(item for item in showing.views["XNOR"].episodes if item.opened_at is not None)
            taken = await asyncio.to_thread(
                showing.store.acknowledge, episode.id, by="Ramp lead", note="", now=utc_now()
            )
            assert taken is not None
            await until(lambda: any(post.payload["type"].endswith("acknowledged") for post in around.webhook.posts))
