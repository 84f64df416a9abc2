"""10,000 signed webhooks to 50 destinations, from the real SQLite store through claims and guard. Prints JSON.

The receivers run in a process of their own and verify every signature. The same posts without the store are measured
in the same run.

python -m tests.benchmarks.webhooks
"""

from __future__ import annotations

import asyncio
import json
import sys
import tempfile
from contextlib import AsyncExitStack
from datetime import datetime, timedelta
from random import Random
from time import perf_counter

from tests.benchmarks.machine import machine
from tests.notify.scenes import BODY, SECRET
from tests.store.scenes import a_change, a_delivery
from watcher.alerts.changes import Changes
from watcher.alerts.model import Event, EventType, SubjectKind
from watcher.alerts.outbox import Item
from watcher.clock import utc_now
from watcher.demo.receivers import WebhookReceiver
from watcher.net import Guard, HttpClients
from watcher.notify.message import message_of
from watcher.notify.model import WebhookDestination
from watcher.notify.sender import Sender
from watcher.notify.templating import Templates
from watcher.notify.webhook import WebhookChannel
from watcher.store.store import Store

DESTINATIONS, EVENTS, IN_FLIGHT = 50, 200, 4
COUNT = DESTINATIONS * EVENTS
NAMES = [f"room-{number}" for number in range(DESTINATIONS)]


def event_of(number: int, now: datetime) -> Event:
    return Event(SubjectKind.EPISODE, f"X{number:03d}-1", 1, EventType.OPENED, now, BODY)


def fill(store: Store, now: datetime) -> None:
    for number in range(EVENTS):
        event = event_of(number, now)
        deliveries = tuple(a_delivery(name, event) for name in NAMES)
        store.commit(Changes(now, (a_change(f"X{number:03d}", events=(event,)),), deliveries))


async def from_the_store(channels: dict[str, WebhookChannel]) -> float:
    with tempfile.TemporaryDirectory() as folder:
        store = Store.open(f"sqlite:///{folder}/hoarline.db")
        fill(store, utc_now())
        sender = Sender(store, channels, clock=utc_now, in_flight=IN_FLIGHT, random=Random(1))
        begin = perf_counter()
        await sender.drain_once()
        took = perf_counter() - begin
        assert store.outbox_counts() == {"pending": 0, "leased": 0, "sent": COUNT, "dead": 0, "expired": 0}
        store.close()
    return took


async def without_the_store(channels: dict[str, WebhookChannel]) -> float:
    now = utc_now()

    async def worker(name: str, first: int) -> None:
        for number in range(first, EVENTS, IN_FLIGHT):
            event = event_of(number, now)
            told = Item(event, event.type, event.body.level, event.subject_id)
            message = message_of(f"bare_{number}_{name}", [told], now=now, valid_until=now + timedelta(hours=6))
            await channels[name].send(message, now)

    begin = perf_counter()
    await asyncio.gather(*(worker(name, first) for name in NAMES for first in range(IN_FLIGHT)))
    return perf_counter() - begin


async def receive() -> None:
    """Be the receivers: tell the ports, and once the other side has hung up, what came in."""
    async with AsyncExitStack() as stack:
        receivers = [
            await stack.enter_async_context(WebhookReceiver(SECRET, clock=utc_now)) for _ in range(DESTINATIONS)
        ]
        print(json.dumps([receiver.url() for receiver in receivers]), flush=True)
        await asyncio.to_thread(sys.stdin.read)
        posts = [post for receiver in receivers for post in receiver.posts]
        found = {
            "posts": len(posts),
            "different_ids": len({post.id for post in posts}),
            "verified": sum(post.verified for post in posts),
            "duplicates": sum(receiver.duplicates for receiver in receivers),
        }
        print(json.dumps(found), flush=True)


async def main() -> None:
    receivers = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "tests.benchmarks.webhooks", "receive",
        stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
    )  # fmt: skip
    assert receivers.stdout is not None
    urls = json.loads(await receivers.stdout.readline())
    async with HttpClients(Guard(["127.0.0.0/8"])) as http:
        templates = Templates.load()
        channels = {
            name: WebhookChannel(WebhookDestination(name, url, (SECRET,)), http, templates)
            for name, url in zip(NAMES, urls, strict=True)
        }
        bare_s = await without_the_store(channels)
        took_s = await from_the_store(channels)
    told, _ = await receivers.communicate(b"")
    received = json.loads(told)
    assert received["different_ids"] == received["posts"] == received["verified"] == 2 * COUNT, received
    figures = {
        "webhooks": COUNT,
        "destinations": DESTINATIONS,
        "from_the_store_a_second": round(COUNT / took_s),
        "without_the_store_a_second": round(COUNT / bare_s),
        "from_the_store_over_without": round(bare_s / took_s, 2),
        "received": received,
        "machine": machine(),
    }
    print(json.dumps(figures, indent=2))


if __name__ == "__main__":
    asyncio.run(receive() if "receive" in sys.argv else main())
