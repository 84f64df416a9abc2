"""The sender with the real store: each message once, in order, and no destination in another's way."""

from __future__ import annotations

import asyncio
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from structlog.testing import capture_logs

from tests.notify.scenes import SECRET
from tests.store.scenes import NOW, Owing
from watcher.alerts.outbox import Claimed, Settled
from watcher.demo.receivers import MailReceiver, Posted, WebhookReceiver
from watcher.errors import DeliveryError, StoreError
from watcher.net import Guard, HttpClients
from watcher.notify.message import Message
from watcher.notify.model import EmailDestination, MailServer, WebhookDestination
from watcher.notify.sender import MOST_OF_A_KIND, Channel, Outbox, Sender
from watcher.notify.smtp import CONNECTIONS, MailChannel, SmtpSender
from watcher.notify.templating import Templates
from watcher.notify.webhook import WebhookChannel
from watcher.store.store import Store

pytestmark = pytest.mark.anyio
MINUTE = timedelta(minutes=1)


@dataclass
class Clock:
    now: datetime = NOW

    def __call__(self) -> datetime:
        return self.now


@dataclass
class Seen:
    """What an observer is told."""

    attempts: list[tuple[str, str]] = field(default_factory=list)

    def delivered(self, kind: str, outcome: str, seconds: float) -> None:
        assert seconds >= 0
        self.attempts.append((kind, outcome))


@dataclass
class Told:
    """A channel that notes what it is given, and does what it is told first."""

    kind: str = "note"
    first: Callable[[str], None] = lambda _: None
    waits_for: asyncio.Event | None = None
    given: list[tuple[str, str]] = field(default_factory=list)
    taken: list[tuple[str, str]] = field(default_factory=list)
    at_once: int = 0
    most_at_once: int = 0

    async def send(self, message: Message, now: datetime) -> None:
        subject_id, delivery_id = message.first.subject, message.id
        self.given.append((subject_id, delivery_id))
        self.at_once += 1
        self.most_at_once = max(self.most_at_once, self.at_once)
        try:
            await (self.waits_for.wait() if self.waits_for is not None else asyncio.sleep(0))
        finally:
            self.at_once -= 1
        self.first(delivery_id)
        self.taken.append((subject_id, delivery_id))


def fails(error: Exception) -> Callable[[str], None]:
    def fail(_: str) -> None:
        raise error

    return fail


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = Store.open(f"sqlite:///{tmp_path / 'hoarline.db'}")
    yield opened
    opened.close()


def sender_of(outbox: Outbox, channels: Mapping[str, Channel], clock: Callable[[], datetime], **fields: Any) -> Sender:
    return Sender(outbox, channels, clock=clock, random=Random(1), **fields)


def states(store: Store) -> Counter[str]:
    return Counter(item.state.value for item in store.deliveries(10_000))


async def test_mail_and_webhook_both_arrive_once(store: Store) -> None:
    ids = Owing(store).owe("XNOR-1", "duty-desk", "ops-room")
    seen = Seen()
    async with (
        MailReceiver() as mail,
        WebhookReceiver(SECRET, clock=lambda: NOW) as webhook,
        HttpClients(Guard(["127.0.0.0/8"])) as http,
        SmtpSender(MailServer("127.0.0.1", mail.port, "none", "hoarline@example.org")) as smtp,
    ):
        channels: dict[str, Channel] = {
            "duty-desk": MailChannel(EmailDestination("duty-desk", "duty@example.org"), smtp, Templates.load()),
            "ops-room": WebhookChannel(
                WebhookDestination("ops-room", webhook.url(), (SECRET,)), http, Templates.load()
            ),
        }
        sender = sender_of(store, channels, Clock(), observer=seen)
        await sender.drain_once()
        await sender.drain_once()
    assert [mail["Subject"] for mail in mail.mails] == ["XNOR-1 treat: snow"]
    assert [(post.id, post.verified) for post in webhook.posts] == [(ids[1], True)]
    assert states(store) == {"sent": 2}
    assert sorted(seen.attempts) == [("email", "sent"), ("webhook", "sent")]


async def test_every_attempt_has_the_same_id_and_waits_longer(store: Store) -> None:
    (message_id,) = Owing(store).owe("XNOR-1", "ops-room")
    clock = Clock()
    async with (
        WebhookReceiver(SECRET, clock=clock, status=500) as receiver,
        HttpClients(Guard(["127.0.0.0/8"])) as http,
    ):
        channel = WebhookChannel(WebhookDestination("ops-room", receiver.url(), (SECRET,)), http, Templates.load())
        sender = sender_of(store, {"ops-room": channel}, clock)
        for wait_s in (0, 4, 2, 14, 4):
            clock.now += timedelta(seconds=wait_s)
            await sender.drain_once()
        assert len(receiver.posts) == 3
        receiver.status = 200
        clock.now += MINUTE
        await sender.drain_once()
    assert {post.id for post in receiver.posts} == {message_id}
    assert all(post.verified for post in receiver.posts)
    assert store.deliveries(1)[0].attempts == 4
    assert states(store) == {"sent": 1}


async def test_a_dead_destination_delays_nobody(store: Store) -> None:
    """The dead one answers only after the other has everything."""
    owing = Owing(store)
    for number in range(40):
        owing.owe(f"XNOR-{number}", "dead", "alive")
    all_there = asyncio.Event()

    def count(_: Posted) -> None:
        if len(receiver.posts) == 40:
            all_there.set()

    dead = Told(waits_for=all_there, first=fails(DeliveryError("no answer")))
    async with (
        WebhookReceiver(SECRET, clock=lambda: NOW, on_post=count) as receiver,
        HttpClients(Guard(["127.0.0.0/8"])) as http,
    ):
        alive = WebhookChannel(WebhookDestination("alive", receiver.url(), (SECRET,)), http, Templates.load())
        await sender_of(store, {"dead": dead, "alive": alive}, Clock()).drain_once()
    assert len(receiver.posts) == 40
    assert len(dead.given) == 4
    assert states(store) == {"sent": 40, "pending": 40}


async def test_a_mail_server_that_hangs_delays_no_webhook(store: Store) -> None:
    """Mail has taken every place that it may take before there is a webhook to send."""
    owing = Owing(store)
    desks = [f"desk-{number:02d}" for number in range(80)]
    for number in range(4):
        owing.owe(f"XNOR-{number}", *desks)
    arrived = asyncio.Event()
    room = Told(kind="webhook", first=lambda _: arrived.set())
    mails = Told(kind="email", waits_for=arrived)
    outbox = Ailing(store)
    sender = sender_of(outbox, dict.fromkeys(desks, mails) | {"room": room}, Clock())
    async with asyncio.timeout(20), asyncio.TaskGroup() as tasks:
        tasks.create_task(sender.run())
        while not outbox.claimed_nothing:
            await asyncio.sleep(0.001)
        assert store.outbox_counts()["leased"] == MOST_OF_A_KIND
        owing.owe("XBAY-1", "room")
        sender.wake()
        await arrived.wait()
        await sender.stop()
    assert states(store)["sent"] >= MOST_OF_A_KIND + 1
    assert mails.most_at_once == CONNECTIONS


async def test_what_waits_for_a_connection_goes_back_untried_and_is_sent_once(store: Store) -> None:
    boxes = [f"box-{number}" for number in range(CONNECTIONS + 6)]
    Owing(store).owe("XNOR-1", *boxes)
    free = asyncio.Event()
    mails = Told(kind="email", waits_for=free)
    outbox = Ailing(store)
    sender = sender_of(outbox, dict.fromkeys(boxes, mails), Clock(), lease=timedelta(seconds=8))
    async with asyncio.timeout(20), asyncio.TaskGroup() as tasks:
        tasks.create_task(sender.run())
        while Counter(item.outcome for item in outbox.settled)["release"] < 6:
            await asyncio.sleep(0.01)
        assert len(mails.given) == CONNECTIONS
        free.set()
        while states(store) != {"sent": len(boxes)}:
            await asyncio.sleep(0.01)
        await sender.stop()
    assert len({message_id for _, message_id in mails.given}) == len(mails.given) == len(boxes)
    assert {(item.attempts, item.last_error) for item in store.deliveries(100)} == {(1, None)}


class Slow(MailReceiver):
    """Takes a mail, and says so later."""

    async def handle_DATA(self, _server: Any, _session: object, envelope: Any) -> str:  # noqa: N802 - aiosmtpd's
        answer = await super().handle_DATA(_server, _session, envelope)
        await asyncio.sleep(0.25)
        return answer


async def test_a_slow_mail_server_gets_each_mail_once_and_no_attempt_fails(store: Store) -> None:
    """All together take longer than one attempt may."""
    boxes = [f"box-{number}" for number in range(48)]
    Owing(store).owe("XNOR-1", *boxes)
    async with Slow() as mail, SmtpSender(MailServer("127.0.0.1", mail.port, "none", "hoarline@example.org")) as smtp:
        channels = {
            name: MailChannel(EmailDestination(name, f"{name}@example.org"), smtp, Templates.load()) for name in boxes
        }
        sender = sender_of(store, channels, Clock(), lease=timedelta(seconds=3))
        await sender.drain_once()
    assert states(store) == {"sent": len(boxes)}
    assert Counter(str(item["To"]) for item in mail.mails) == {f"{name}@example.org": 1 for name in boxes}
    assert {(item.attempts, item.last_error) for item in store.deliveries(100)} == {(1, None)}


async def test_a_failing_destination_is_asked_with_one_message_until_it_answers(store: Store) -> None:
    owing = Owing(store)
    for number in range(10):
        owing.owe(f"XNOR-{number}", "desk")
    clock = Clock()
    desk = Told(first=fails(DeliveryError("no answer")))
    sender = sender_of(store, {"desk": desk}, clock)
    await sender.drain_once()
    assert len(desk.given) == 4
    clock.now += timedelta(seconds=7)
    await sender.drain_once()
    assert len(desk.given) == 5
    attempts = [item.attempts for item in store.deliveries(100)]
    assert sum(attempts) == 5
    desk.first = lambda _: None
    clock.now += MINUTE
    await sender.drain_once()
    assert states(store) == {"sent": 10}
    assert desk.most_at_once == 4


async def test_messages_about_one_episode_keep_their_order_through_failures(store: Store) -> None:
    owing = Owing(store)
    ids = [owing.owe("XNOR-1", "desk")[0] for _ in range(4)]
    turns = iter([True, False, True, True, False, False, False])

    def sometimes(_: str) -> None:
        if next(turns):
            raise DeliveryError("busy")

    clock = Clock()
    desk = Told(first=sometimes)
    sender = sender_of(store, {"desk": desk}, clock)
    for _ in range(8):
        await sender.drain_once()
        clock.now += 2 * MINUTE
    assert [delivery for _, delivery in desk.taken] == ids


async def test_retry_after_is_kept(store: Store) -> None:
    Owing(store).owe("XNOR-1", "desk")
    clock = Clock()
    desk = Told(first=fails(DeliveryError("busy", retry_after_s=600.0)))
    sender = sender_of(store, {"desk": desk}, clock)
    await sender.drain_once()
    clock.now += timedelta(seconds=599)
    await sender.drain_once()
    assert len(desk.given) == 1
    clock.now += timedelta(seconds=122)
    await sender.drain_once()
    assert len(desk.given) == 2


async def test_a_receiver_that_is_gone_gets_nothing_more(store: Store) -> None:
    owing = Owing(store)
    for number in range(6):
        owing.owe(f"XNOR-{number}", "ops-room")
    async with (
        WebhookReceiver(SECRET, clock=lambda: NOW, status=410) as receiver,
        HttpClients(Guard(["127.0.0.0/8"])) as http,
    ):
        channel = WebhookChannel(WebhookDestination("ops-room", receiver.url(), (SECRET,)), http, Templates.load())
        sender = sender_of(store, {"ops-room": channel}, Clock(), in_flight=1)
        await sender.drain_once()
        assert len(receiver.posts) == 1
    assert "410" in store.disabled_destinations()["ops-room"].reason
    assert states(store) == {"dead": 1, "expired": 5}


async def test_a_final_refusal_ends_the_message_with_its_reason(store: Store) -> None:
    Owing(store).owe("XNOR-1", "desk")
    desk = Told(first=fails(DeliveryError("550 no such mailbox", permanent=True)))
    seen = Seen()
    await sender_of(store, {"desk": desk}, Clock(), observer=seen).drain_once()
    assert store.deliveries(1)[0].last_error == "550 no such mailbox"
    assert states(store) == {"dead": 1}
    assert seen.attempts == [("note", "dead")]


async def test_a_message_that_would_come_too_late_is_given_up(store: Store) -> None:
    Owing(store).owe("XNOR-1", "desk", valid_until=NOW + timedelta(seconds=4))
    desk = Told(first=fails(DeliveryError("no answer")))
    await sender_of(store, {"desk": desk}, Clock()).drain_once()
    assert states(store) == {"dead": 1}


async def test_a_destination_that_stays_unknown_is_named_and_given_up(store: Store) -> None:
    Owing(store).owe("XNOR-1", "old-desk", "desk")
    desk, clock = Told(), Clock()
    sender = sender_of(store, {"desk": desk}, clock)
    for attempt in range(1, 4):
        await sender.drain_once()
        (pending,) = store.deliveries(10, "pending")
        assert '"old-desk"' in (pending.last_error or "")
        assert (pending.attempts, pending.due_at > clock.now) == (attempt, True)
        clock.now += MINUTE
    await sender.drain_once()
    assert states(store) == {"dead": 1, "sent": 1}
    (dead,) = store.deliveries(10, "dead")
    assert '"old-desk"' in (dead.last_error or "")


async def test_a_destination_that_is_heard_of_a_moment_later_gets_its_first_messages(store: Store) -> None:
    """Another process made it and owes it something already."""
    owing = Owing(store)
    ids = [owing.owe("XNOR-1", "late")[0], owing.owe("XNOR-1", "late")[0]]
    late, clock = Told(), Clock()
    sender = sender_of(store, {}, clock)
    await sender.drain_once()
    sender.use({"late": late})
    clock.now += timedelta(seconds=7)
    await sender.drain_once()
    assert [delivery for _, delivery in late.taken] == ids
    assert states(store) == {"sent": 2}


async def test_what_is_claimed_goes_out_though_its_destination_is_removed_before_its_first_step(store: Store) -> None:
    Owing(store).owe("XNOR-1", "desk")
    desk = Told()
    sender = sender_of(store, {"desk": desk}, Clock())
    begin = sender._begin

    def begin_and_remove(claimed: Claimed) -> None:
        begin(claimed)
        sender.use({})

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sender, "_begin", begin_and_remove)
        await sender.drain_once()
    assert len(desk.taken) == 1
    assert states(store) == {"sent": 1}


async def test_a_fault_of_ours_ends_no_other_message(store: Store) -> None:
    Owing(store).owe("XNOR-1", "odd", "desk")
    odd, desk = Told(first=fails(ZeroDivisionError("half"))), Told()
    with capture_logs() as logs:
        await sender_of(store, {"odd": odd, "desk": desk}, Clock()).drain_once()
    assert states(store) == {"pending": 1, "sent": 1}
    assert "ZeroDivisionError" in (store.deliveries(10, "pending")[0].last_error or "")
    assert any(log.get("exc_info") for log in logs)


async def test_an_attempt_is_broken_off_before_its_lease_ends(store: Store) -> None:
    Owing(store).owe("XNOR-1", "desk")
    desk = Told(waits_for=asyncio.Event())
    await sender_of(store, {"desk": desk}, Clock(), lease=timedelta(seconds=0.2)).drain_once()
    assert states(store) == {"pending": 1}
    assert store.deliveries(1)[0].last_error == "not done within 0.15 s"


async def test_the_running_sender_sends_what_it_is_woken_for_and_stops(store: Store) -> None:
    arrived = asyncio.Event()
    desk = Told(first=lambda _: arrived.set())
    sender = sender_of(store, {"desk": desk}, Clock())
    async with asyncio.timeout(20), asyncio.TaskGroup() as tasks:
        tasks.create_task(sender.run())
        Owing(store).owe("XNOR-1", "desk")
        sender.wake()
        await arrived.wait()
        await sender.stop()
    assert states(store) == {"sent": 1}


async def test_stopping_lets_what_is_on_its_way_arrive(store: Store) -> None:
    Owing(store).owe("XNOR-1", "desk")
    go = asyncio.Event()
    desk = Told(waits_for=go)
    sender = sender_of(store, {"desk": desk}, Clock())
    async with asyncio.timeout(20), asyncio.TaskGroup() as tasks:
        tasks.create_task(sender.run())
        while not desk.given:
            await asyncio.sleep(0)
        stopping = tasks.create_task(sender.stop())
        await asyncio.sleep(0)
        go.set()
        await stopping
    assert states(store) == {"sent": 1}


async def test_what_hangs_when_stopping_is_sent_again_under_the_same_id(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("watcher.notify.sender.STOP_WITHIN_S", 0.05)
    (message_id,) = Owing(store).owe("XNOR-1", "desk")
    hanging = Told(waits_for=asyncio.Event())
    sender = sender_of(store, {"desk": hanging}, Clock())
    async with asyncio.timeout(20), asyncio.TaskGroup() as tasks:
        tasks.create_task(sender.run())
        while not hanging.given:
            await asyncio.sleep(0)
        await sender.stop()
    assert states(store) == {"pending": 1}
    again = Told()
    await sender_of(store, {"desk": again}, Clock()).drain_once()
    assert hanging.given == again.taken == [("XNOR-1", message_id)]


async def test_what_never_began_when_stopping_goes_back_untried(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("watcher.notify.sender.STOP_WITHIN_S", 0.05)
    boxes = [f"box-{number}" for number in range(CONNECTIONS + 3)]
    Owing(store).owe("XNOR-1", *boxes)
    mails = Told(kind="email", waits_for=asyncio.Event())
    sender = sender_of(store, dict.fromkeys(boxes, mails), Clock())
    async with asyncio.timeout(20), asyncio.TaskGroup() as tasks:
        tasks.create_task(sender.run())
        while len(mails.given) < CONNECTIONS:
            await asyncio.sleep(0)
        await sender.stop()
    assert states(store) == {"pending": len(boxes)}
    found = Counter((item.attempts, item.last_error) for item in store.deliveries(100))
    assert found == {(1, "broken off when the sender stopped"): CONNECTIONS, (0, None): 3}


async def test_after_a_crash_only_what_was_leased_goes_again(store: Store) -> None:
    owing = Owing(store)
    sent = owing.owe("XNOR-1", "desk")
    before = Told()
    await sender_of(store, {"desk": before}, Clock()).drain_once()
    (crashed,) = owing.owe("XNOR-2", "desk")
    store.claim(NOW, limit=10, lease=2 * MINUTE, per_destination=4)  # and then nothing more is heard of it
    clock = Clock(NOW + MINUTE)
    after = Told()
    sender = sender_of(store, {"desk": after}, clock)
    await sender.drain_once()
    assert after.given == []
    clock.now += 2 * MINUTE
    await sender.drain_once()
    assert after.taken == [("XNOR-2", crashed)]
    assert sent[0] != crashed


@dataclass
class Ailing:
    """A store that refuses some calls. `claimed_nothing`: its last claim found nothing to send."""

    store: Store
    refuses: set[str] = field(default_factory=set)
    error: Exception = field(default_factory=lambda: StoreError("disk full"))
    refused: asyncio.Event = field(default_factory=asyncio.Event)
    claimed_nothing: bool = False
    settled: list[Settled] = field(default_factory=list)

    def _may(self, name: str) -> None:
        if name in self.refuses:
            self.refused.set()
            raise self.error

    def claim(self, now: datetime, **fields: Any) -> tuple[Claimed, ...]:
        self._may("claim")
        claimed = self.store.claim(now, **fields)
        self.claimed_nothing = not claimed
        return claimed

    def settle(self, results: Sequence[Settled], now: datetime) -> None:
        self._may("settle")
        self.settled.extend(results)
        self.store.settle(results, now)

    def disable_destination(self, name: str, reason: str, now: datetime, *, by_receiver: bool) -> None:
        self._may("disable_destination")
        self.store.disable_destination(name, reason, now, by_receiver=by_receiver)


async def test_what_was_sent_is_not_forgotten_while_the_store_refuses(store: Store) -> None:
    Owing(store).owe("XNOR-1", "desk")
    ailing = Ailing(store, {"settle"})
    desk = Told()
    sender = sender_of(ailing, {"desk": desk}, Clock())
    with pytest.raises(StoreError):
        await sender.drain_once()
    ailing.refuses.clear()
    await sender.drain_once()
    assert len(desk.given) == 1
    assert states(store) == {"sent": 1}


async def test_a_gone_destination_is_switched_off_once_the_store_takes_it(store: Store) -> None:
    Owing(store).owe("XNOR-1", "desk")
    ailing = Ailing(store, {"disable_destination"})
    sender = sender_of(ailing, {"desk": Told(first=fails(DeliveryError("gone", gone=True)))}, Clock())
    with pytest.raises(StoreError):
        await sender.drain_once()
    ailing.refuses.clear()
    await sender.drain_once()
    assert store.disabled_destinations().keys() == {"desk"}
    assert states(store) == {"dead": 1}


async def test_a_refusing_store_does_not_end_the_sender(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("watcher.notify.sender.LOOK_EVERY_S", 0.01)
    ailing = Ailing(store, {"claim"})
    arrived = asyncio.Event()
    desk = Told(first=lambda _: arrived.set())
    sender = sender_of(ailing, {"desk": desk}, Clock())
    Owing(store).owe("XNOR-1", "desk")
    with capture_logs() as logs:
        async with asyncio.timeout(20), asyncio.TaskGroup() as tasks:
            tasks.create_task(sender.run())
            while not ailing.refused.is_set():
                await asyncio.sleep(0)
            ailing.refuses.clear()
            await arrived.wait()
            await sender.stop()
    assert any(log["error"] == "disk full" for log in logs)
    assert states(store) == {"sent": 1}


@pytest.mark.parametrize("trips", ["claim", "settle"])
async def test_a_fault_of_ours_in_a_turn_does_not_end_the_sender(
    store: Store, monkeypatch: pytest.MonkeyPatch, trips: str
) -> None:
    monkeypatch.setattr("watcher.notify.sender.LOOK_EVERY_S", 0.01)
    ailing = Ailing(store, {trips}, ValueError("no such word"))
    desk = Told()
    sender = sender_of(ailing, {"desk": desk}, Clock())
    assert not sender.running
    Owing(store).owe("XNOR-1", "desk")
    with capture_logs() as logs:
        async with asyncio.timeout(20), asyncio.TaskGroup() as tasks:
            tasks.create_task(sender.run())
            await ailing.refused.wait()
            await asyncio.sleep(0.05)
            assert sender.running
            ailing.refuses.clear()
            while states(store) != {"sent": 1}:
                await asyncio.sleep(0.01)
            await sender.stop()
    assert not sender.running
    assert len(desk.given) == 1
    assert any(log.get("exc_info") for log in logs)


async def test_a_fault_of_ours_at_the_end_lets_the_sender_stop(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("watcher.notify.sender.LOOK_EVERY_S", 0.01)
    ailing = Ailing(store, {"settle"}, ValueError("no such word"))
    sender = sender_of(ailing, {"desk": Told()}, Clock())
    Owing(store).owe("XNOR-1", "desk")
    with capture_logs():
        async with asyncio.timeout(20), asyncio.TaskGroup() as tasks:
            tasks.create_task(sender.run())
            await ailing.refused.wait()
            await sender.stop()
    assert not sender.running
    assert states(store) == {"leased": 1}, "written down by nobody: it goes again under its own name"


async def test_stopping_before_running_is_no_fault(store: Store) -> None:
    sender = sender_of(store, {}, Clock())
    await sender.stop()
    await sender.run()


answers = st.sampled_from(["yes", "yes", "busy", "no answer", "fault"])


@settings(max_examples=25)
@given(
    owed=st.lists(
        st.tuples(st.sampled_from(["XNOR-1", "XNOR-2", "XBAY-1"]), st.sets(st.sampled_from("abc"))), max_size=12
    ),
    said=st.dictionaries(st.sampled_from("abc"), st.lists(answers, max_size=6)),
    restart_after=st.integers(0, 6),
)
def test_whatever_receivers_answer_each_message_arrives_once_and_in_order(
    owed: list[tuple[str, set[str]]], said: dict[str, list[str]], restart_after: int
) -> None:
    with capture_logs():
        asyncio.run(play(owed, said, restart_after))


async def play(owed: list[tuple[str, set[str]]], said: dict[str, list[str]], restart_after: int) -> None:
    with TemporaryDirectory() as folder:
        store = Store.open(f"sqlite:///{folder}/hoarline.db")
        owing, clock = Owing(store), Clock()
        expected: dict[str, dict[str, list[str]]] = defaultdict(lambda: defaultdict(list))
        for subject, destinations in owed:
            if destinations:
                for name, message_id in zip(
                    sorted(destinations), owing.owe(subject, *sorted(destinations)), strict=True
                ):
                    expected[name][subject].append(message_id)
        channels = {name: Told(first=saying(said.get(name, []))) for name in "abc"}
        sender = sender_of(store, channels, clock)
        for turn in range(16):
            if turn == restart_after:
                sender = sender_of(store, channels, clock)
            await sender.drain_once()
            clock.now += 16 * MINUTE
        for name, channel in channels.items():
            arrived: dict[str, list[str]] = defaultdict(list)
            for subject, message_id in channel.taken:
                arrived[subject].append(message_id)
            assert arrived == expected[name]
        store.close()


def saying(what: list[str]) -> Callable[[str], None]:
    errors = {
        "busy": DeliveryError("busy", retry_after_s=30.0),
        "no answer": DeliveryError("-"),
        "fault": KeyError("x"),
    }
    left = list(what)

    def answer(_: str) -> None:
        if left and (error := errors.get(left.pop(0))) is not None:
            raise error

    return answer
