"""1,000 messages each to a Matrix room, an MQTT broker and a CAP receiver, from the real SQLite store. Prints JSON.

The broker is Debian's mosquitto; the others are the receivers of the tests, which check every field, in this process.
CAP asks the store for what was told before. Nobody may lose a message or be told twice.

python -m tests.benchmarks.channels
"""

from __future__ import annotations

import asyncio
import json
import tempfile
from pathlib import Path
from random import Random
from time import perf_counter

from tests.benchmarks.machine import machine
from tests.benchmarks.webhooks import event_of
from tests.notify.homeserver import ROOM, TOKEN, SmallHomeserver
from tests.notify.mosquitto import Subscriber, mosquitto
from tests.notify.scenes import SECRET
from tests.notify.test_cap_channel import CapReceiver
from tests.store.scenes import a_change, a_delivery
from watcher.alerts.changes import Changes
from watcher.clock import utc_now
from watcher.net import Broker, Guard, HttpClients
from watcher.notify.cap_channel import CapChannel
from watcher.notify.matrix import MatrixChannel
from watcher.notify.model import CapDestination, MatrixDestination, MqttDestination
from watcher.notify.mqtt import MqttChannel
from watcher.notify.parties import Channel
from watcher.notify.sender import Sender
from watcher.notify.templating import Templates
from watcher.store.store import Store

EVENTS = 1_000
TOPIC = "hoarline/{subject}"


async def seconds_of(store: Store, name: str, channel: Channel) -> float:
    """Owe all events to one destination, and return how long it takes until it has them."""
    now = utc_now()
    for number in range(EVENTS):
        event = event_of(number, now)
        store.commit(Changes(now, (), (a_delivery(name, event),)))
    sender = Sender(store, {name: channel}, clock=utc_now, random=Random(1))
    begin = perf_counter()
    await sender.drain_once()
    return perf_counter() - begin


async def main() -> None:
    guard, templates = Guard(["127.0.0.0/8"]), Templates.load()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        store = Store.open(f"sqlite:///{folder}/hoarline.db")
        now = utc_now()
        for number in range(EVENTS):
            store.commit(Changes(now, (a_change(f"X{number:03d}", events=(event_of(number, now),)),), ()))
        took_s: dict[str, float] = {}
        with mosquitto(folder) as served, Subscriber(served.port, "hoarline/#") as heard:
            async with (
                SmallHomeserver() as home,
                CapReceiver(SECRET, clock=utc_now) as receiver,
                HttpClients(guard) as http,
            ):
                broker = Broker(guard, "127.0.0.1", served.port, tls=False)
                channels: dict[str, Channel] = {
                    "matrix": MatrixChannel(MatrixDestination("room", home.url, ROOM, TOKEN), http, templates),
                    "mqtt": MqttChannel(MqttDestination("topic", "mqtt://127.0.0.1", TOPIC), broker, templates),
                    "cap": CapChannel(
                        CapDestination("cap", receiver.url(), (SECRET,)), http, store, sender="hoarline@example.org"
                    ),
                }
                for kind, channel in channels.items():
                    took_s[kind] = await seconds_of(store, kind, channel)
                await broker.aclose()
            topics = [message.topic for message in await asyncio.to_thread(heard.all_until, "hoarline/over")]
        counts = store.outbox_counts()
        store.close()
    assert counts["sent"] == 3 * EVENTS == sum(counts.values()), counts
    assert len(topics) == len(set(topics)) == EVENTS
    assert len(home.events) == home.requests == EVENTS
    assert len({post.id for post, _ in receiver.documents}) == len(receiver.posts) == EVENTS
    assert all(post.verified for post in receiver.posts)
    figures = {
        "messages": EVENTS,
        "a_second": {kind: round(EVENTS / seconds) for kind, seconds in took_s.items()},
        "machine": machine(),
    }
    print(json.dumps(figures, indent=2))


if __name__ == "__main__":
    asyncio.run(main())
