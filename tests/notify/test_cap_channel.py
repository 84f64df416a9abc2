"""CAP documents at a real receiver, out of a real outbox: signed, valid, and referring to what that receiver got.

The standard: OASIS, Common Alerting Protocol Version 1.2, 1 July 2010; sections are named beside the checks. The schema
is that of tests/data/cap, the rules of its text are those of test_cap.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from random import Random
from typing import Any

import pytest
import time_machine
from standardwebhooks.webhooks import Webhook

from tests.alerts.scenes import XNOR
from tests.notify.letters import SAMPLES
from tests.notify.scenes import SECRET
from tests.notify.test_cap import Read, cap_time
from tests.store.scenes import NOW, a_change, a_delivery, after, an_event
from watcher.alerts.changes import Changes
from watcher.alerts.model import EventType
from watcher.demo.receivers import Posted, WebhookReceiver
from watcher.errors import DeliveryError, StoreError
from watcher.net import Guard, HttpClients
from watcher.notify.cap_channel import CapChannel
from watcher.notify.model import CapDestination
from watcher.notify.sender import Sender
from watcher.notify.signature import verify
from watcher.store.store import Store

pytestmark = pytest.mark.anyio

SENDER = "hoarline@ice.example.org"


@dataclass
class CapReceiver(WebhookReceiver):
    """Takes documents, and keeps those that it answered with yes as a reader of CAP reads them."""

    documents: list[tuple[Posted, bytes]] = field(default_factory=list)

    def _keep(self, path: str, headers: dict[str, str], body: bytes) -> None:
        marks = (headers.get(f"webhook-{part}", "") for part in ("id", "timestamp", "signature"))
        verified = verify(*marks, body, [self.secret], now=self.clock())
        post = Posted(path, headers, {}, verified)
        self.posts.append(post)
        if self.status < 300:
            self.documents.append((post, body))

    @property
    def read(self) -> list[Read]:
        return [Read(body) for _, body in self.documents]


@dataclass
class Telling:
    """A store, its sender, and a receiver of CAP; the clock stands where it is put."""

    store: Store
    receivers: Mapping[str, CapReceiver]
    sender: Sender
    now: datetime = NOW
    version: int = 0

    async def tell(self, seq: int, type_: EventType, *to: str, minute: float, **fields: Any) -> None:
        """Commit an event of XNOR-1, owe it to these, and send what is due."""
        self.now = after(minute)
        event = an_event("XNOR-1", seq, type_, self.now)
        told = {"made_at": self.now} | fields
        owed = tuple(a_delivery(name, event, **told) for name in to)
        change = a_change("XNOR", self.version, events=(event,))
        self.store.commit(Changes(self.now, (change,), owed))
        self.version += 1
        await self.sender.drain_once()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = Store.open(f"sqlite:///{tmp_path / 'hoarline.db'}")
    yield opened
    opened.close()


@asynccontextmanager
async def telling(store: Store) -> AsyncIterator[Telling]:
    async with (
        CapReceiver(SECRET, clock=lambda: there.now) as first,
        CapReceiver(SECRET, clock=lambda: there.now) as second,
        HttpClients(Guard(("127.0.0.0/8",))) as http,
    ):
        receivers = {"first": first, "second": second}
        channels = {
            name: CapChannel(
                CapDestination(name, receiver.url(), (SECRET,)),
                http,
                store,
                sender=SENDER,
                station_of=lambda _: XNOR,
            )
            for name, receiver in receivers.items()
        }
        sender = Sender(
            store, channels, clock=lambda: there.now, public_url="https://ice.example.org/", random=Random(1)
        )
        there = Telling(store, receivers, sender)
        yield there


async def test_an_alert_an_update_and_its_end_refer_to_what_went_before(store: Store) -> None:
    """3.2.1, references: sender, identifier and sent of the earlier messages."""
    async with telling(store) as there:
        await there.tell(1, EventType.OPENED, "first", minute=0)
        await there.tell(2, EventType.RAISED, "first", minute=5)
        await there.tell(3, EventType.CLOSED, "first", minute=90)
        opened, raised, closed = there.receivers["first"].read
    assert [message.one("msgType") for message in (opened, raised, closed)] == ["Alert", "Update", "Update"]
    assert opened.one("references") is None
    named = [f"{SENDER},{one.one('identifier')},{one.one('sent')}" for one in (opened, raised)]
    assert raised.one("references") == named[0]
    assert closed.one("references") == " ".join(named)
    assert closed.one("responseType") == "AllClear"
    assert [message.one("sent") for message in (opened, raised, closed)] == [cap_time(after(m)) for m in (0, 5, 90)]
    assert opened.one("circle") == "60.2000,11.1000 8"
    assert opened.one("web") == "https://ice.example.org/stations/XNOR"


async def test_each_receiver_is_referred_to_what_it_got_itself(store: Store) -> None:
    """Whoever hears of an alert late, as opened, has nothing that could be updated."""
    async with telling(store) as there:
        await there.tell(1, EventType.OPENED, "first", minute=0)
        await there.tell(2, EventType.RAISED, "first", minute=5)
        store.commit(Changes(after(6), (), (a_delivery("second", an_event("XNOR-1", 2), made_at=after(6)),)))
        there.now = after(6)
        await there.sender.drain_once()
        await there.tell(3, EventType.CLOSED, "first", "second", minute=90)
        late, end = there.receivers["second"].read
        whole = there.receivers["first"].read
    assert (late.one("msgType"), late.parameters["type"]) == ("Alert", "icing.episode.opened")
    assert late.one("sent") == cap_time(after(6))
    assert end.one("references") == f"{SENDER},{late.one('identifier')},{late.one('sent')}"
    every = [message.one("identifier") for message in (late, end, *whole)]
    assert len(set(every)) == len(every) == 5


async def test_what_never_arrived_is_not_referred_to(store: Store) -> None:
    async with telling(store) as there:
        receiver = there.receivers["first"]
        receiver.status = 410
        await there.tell(1, EventType.OPENED, "first", minute=0)
        assert store.outbox_counts()["dead"] == 1
        store.enable_destination("first")
        receiver.status = 200
        await there.tell(2, EventType.RAISED, "first", minute=5)
        await there.tell(3, EventType.CLOSED, "first", minute=90)
        raised, closed = receiver.read
    assert (raised.one("msgType"), raised.one("references")) == ("Alert", None)
    assert closed.one("references") == f"{SENDER},{raised.one('identifier')},{raised.one('sent')}"


async def test_a_reminder_is_a_message_of_its_own(store: Store) -> None:
    """3.2.1: an identifier names one message; the event is the same, the message is another."""
    async with telling(store) as there:
        await there.tell(1, EventType.OPENED, "first", minute=0)
        again = a_delivery("first", an_event("XNOR-1", 1), told_as=EventType.REMINDER, made_at=after(30), repeat=1)
        store.commit(Changes(after(30), (), (replace(again, id="msg_again"),)))
        there.now = after(30)
        await there.sender.drain_once()
        opened, reminder = there.receivers["first"].read
    assert reminder.one("identifier") != opened.one("identifier")
    assert (reminder.one("msgType"), reminder.one("sent")) == ("Update", cap_time(after(30)))
    assert reminder.one("references") == f"{SENDER},{opened.one('identifier')},{opened.one('sent')}"


async def test_a_repeat_is_the_same_document_under_the_same_name(store: Store) -> None:
    """It is known by the webhook's id and by its own identifier."""
    async with telling(store) as there:
        receiver = there.receivers["first"]
        receiver.status = 503
        await there.tell(1, EventType.OPENED, "first", minute=0)
        receiver.status = 200
        there.now = after(2)
        await there.sender.drain_once()
        ((post, body),) = receiver.documents
        assert len(receiver.posts) == 2
    assert {each.id for each in receiver.posts} == {post.id}
    assert Read(body).one("sent") == cap_time(NOW)
    assert str(Read(body).one("identifier")).startswith(post.id)


async def test_the_reference_library_verifies_what_arrives(store: Store) -> None:
    async with telling(store) as there:
        await there.tell(1, EventType.OPENED, "first", minute=0)
        ((post, body),) = there.receivers["first"].documents
    assert post.verified
    assert post.headers["content-type"] == "application/cap+xml"
    library = Webhook(SECRET)
    headers = dict(post.headers)
    with time_machine.travel(NOW, tick=False):
        assert library.sign(headers["webhook-id"], NOW, body.decode()) == headers["webhook-signature"]


@pytest.mark.parametrize("kind", [name for name, message in SAMPLES.items() if not message.several])
async def test_every_kind_of_message_is_valid_without_an_outbox(kind: str) -> None:
    """As a test by hand: nothing was told before."""
    async with CapReceiver(SECRET, clock=lambda: NOW) as receiver, HttpClients(Guard(("127.0.0.0/8",))) as http:
        channel = CapChannel(CapDestination("room", receiver.url(), (SECRET,)), http, None, sender=SENDER)
        await channel.send(SAMPLES[kind], NOW)
    (message,) = receiver.read
    assert (message.one("status") == "Test") is (kind == "test")
    assert message.one("msgType") == "Alert"


async def test_a_store_that_does_not_answer_delays_the_message() -> None:
    """Sent without its references, an update would stand beside the alert that it replaces."""

    class Broken:
        def tellings(self, delivery_id: str) -> tuple[Any, ...]:
            raise StoreError("the disk is full")

    async with CapReceiver(SECRET, clock=lambda: NOW) as receiver, HttpClients(Guard(("127.0.0.0/8",))) as http:
        channel = CapChannel(CapDestination("room", receiver.url(), (SECRET,)), http, Broken(), sender=SENDER)
        with pytest.raises(DeliveryError) as refused:
            await channel.send(SAMPLES["opened"], NOW)
    assert not refused.value.permanent
    assert receiver.posts == []


async def test_a_receiver_at_a_private_address_is_not_reached_unless_allowed() -> None:
    async with CapReceiver(SECRET, clock=lambda: NOW) as receiver, HttpClients(Guard()) as http:
        channel = CapChannel(CapDestination("room", receiver.url(), (SECRET,)), http, None, sender=SENDER)
        with pytest.raises(DeliveryError, match="refused to connect"):
            await channel.send(SAMPLES["opened"], NOW)
    assert receiver.posts == []


@pytest.mark.parametrize("secrets", [(), ("whsec_short",)])
def test_a_destination_that_cannot_sign_is_none(secrets: tuple[str, ...]) -> None:
    with pytest.raises(ValueError, match="secret"):
        CapDestination("room", "https://cap.example.org/in", secrets)
