"""Messages that several events share: what comes up within a destination's window makes one, and its order holds."""

from __future__ import annotations

from datetime import datetime, timedelta
from random import Random
from threading import Event as Signal
from threading import Thread

import pytest

from tests.store.scenes import HOUR, LEASE, NOW, Owing, a_change, a_delivery, an_event, claim
from watcher.alerts.changes import Changes
from watcher.alerts.model import Event, EventBody, EventType, SubjectKind
from watcher.alerts.outbox import Claimed, Item, Settled
from watcher.rulebook.words import Level
from watcher.store.store import Store

WINDOW = timedelta(seconds=20)


def later(seconds: float) -> datetime:
    return NOW + timedelta(seconds=seconds)


@pytest.fixture
def owing(store: Store) -> Owing:
    return Owing(store)


def claimed(store: Store, now: datetime, per: int = 9) -> tuple[Claimed, ...]:
    return store.claim(now, limit=99, lease=LEASE, per_destination=per)


def told(messages: tuple[Claimed, ...]) -> list[list[str]]:
    """Return what each message tells, in the order of sending."""
    return [[item.event.id for item in message.items] for message in messages]


def sent_in_order(store: Store, now: datetime) -> list[list[str]]:
    """Send all that may be sent at a time, round by round."""
    found: list[list[str]] = []
    while messages := claimed(store, now):
        found.extend(told(messages))
        store.settle([Settled(message.id, "sent") for message in messages], now)
    return found


def a_digest(destination: str, at: datetime) -> Changes:
    event = Event(
        SubjectKind.DIGEST, f"digest-{destination}", 1, EventType.DIGEST, at, EventBody("", None, None, "h", "w", "n")
    )
    return Changes(at, deliveries=(a_delivery(destination, event),), digests=(event,))


def test_what_comes_up_within_the_window_is_one_message(store: Store, owing: Owing) -> None:
    (name,) = owing.owe("XNOR-1", "desk", group_within=WINDOW)
    owing.owe("XBAY-4", "desk", at=later(5), group_within=WINDOW)
    owing.owe("XNOR-1", "desk", at=later(19), group_within=WINDOW)
    assert claimed(store, later(19)) == ()
    (message,) = claimed(store, later(20))
    assert (message.id, message.destination, message.attempts) == (name, "desk", 1)
    assert message.valid_until == NOW + 6 * HOUR
    assert message.items == (
        Item(an_event("XNOR-1"), EventType.OPENED, Level.TREAT, "XNOR-1"),
        Item(an_event("XBAY-4", at=later(5)), EventType.OPENED, Level.TREAT, "XBAY-4"),
        Item(an_event("XNOR-1", 2, at=later(19)), EventType.OPENED, Level.TREAT, "XNOR-1"),
    )
    (line,) = store.deliveries(9)
    assert [each.event_id for each in line.told] == ["XNOR-1.1", "XBAY-4.1", "XNOR-1.2"]


def test_one_turn_with_many_events_makes_one_message_for_each_destination(store: Store) -> None:
    events = tuple(an_event(f"XNOR-{number}") for number in range(30))
    deliveries = tuple(a_delivery(name, event, group_within=WINDOW) for event in events for name in ("desk", "chat"))
    alone = tuple(a_delivery("hook", event) for event in events)
    store.commit(Changes(NOW, (a_change(events=events),), (*deliveries, *alone)))
    messages = claimed(store, later(20), per=99)
    assert sorted(len(message.items) for message in messages) == [1] * 30 + [30, 30]
    assert all(message.destination == "hook" for message in messages if len(message.items) == 1)


def test_destinations_do_not_share(store: Store, owing: Owing) -> None:
    owing.owe("XNOR-1", "desk", group_within=WINDOW)
    owing.owe("XNOR-2", "chat", group_within=WINDOW)
    assert told(claimed(store, later(20))) == [["XNOR-1.1"], ["XNOR-2.1"]]


def test_once_it_is_due_a_message_takes_nobody_in(store: Store, owing: Owing) -> None:
    owing.owe("XNOR-1", "desk", group_within=WINDOW)
    owing.owe("XNOR-2", "desk", at=later(20), group_within=WINDOW)
    assert told(claimed(store, later(40))) == [["XNOR-1.1"], ["XNOR-2.1"]]


@pytest.mark.parametrize("outcome", ["retry", "release"])
def test_a_message_that_was_in_hand_takes_nobody_in(store: Store, owing: Owing, outcome: str) -> None:
    """Tried once, part of it may have arrived; given back, it is due."""
    (first,) = owing.owe("XNOR-1", "desk", group_within=WINDOW)
    assert claim(store, later(20)) == [first]
    owing.owe("XNOR-2", "desk", at=later(21), group_within=WINDOW)
    store.settle([Settled(first, outcome, later(60), "no answer")], later(22))  # type: ignore[arg-type]
    owing.owe("XNOR-3", "desk", at=later(23), group_within=WINDOW)
    assert sorted(told(claimed(store, later(60)))) == [["XNOR-1.1"], ["XNOR-2.1", "XNOR-3.1"]]


def test_a_message_that_will_be_tried_again_takes_nobody_in(store: Store, owing: Owing) -> None:
    """Its next try is as far ahead as a window, but the first may have arrived."""
    (first,) = owing.owe("XNOR-1", "desk", group_within=WINDOW)
    assert claim(store, later(20)) == [first]
    store.settle([Settled(first, "retry", later(60), "no answer")], later(21))
    owing.owe("XNOR-2", "desk", at=later(30), group_within=WINDOW)
    assert told(claimed(store, later(60))) == [["XNOR-2.1"], ["XNOR-1.1"]]


def test_a_message_whose_claimer_died_takes_nobody_in(store: Store, owing: Owing) -> None:
    owing.owe("XNOR-1", "desk", group_within=WINDOW)
    claimed(store, later(20))
    owing.owe("XNOR-1", "desk", at=later(30), group_within=WINDOW)
    again = later(20) + LEASE
    (message,) = claimed(store, again)
    assert (told((message,)), message.attempts) == ([["XNOR-1.1"]], 2)
    store.settle([Settled(message.id, "sent")], again)
    assert told(claimed(store, again)) == [["XNOR-1.2"]]


def test_the_next_message_about_a_subject_waits_for_the_one_before(store: Store, owing: Owing) -> None:
    """Only for what tells of the same: another episode's message need not wait for a mail that is tried again."""
    (first,) = owing.owe("XNOR-1", "desk", group_within=WINDOW)
    owing.owe("XNOR-2", "desk", at=later(1), group_within=WINDOW)
    assert claim(store, later(20)) == [first]
    owing.owe("XNOR-3", "desk", at=later(21), group_within=WINDOW)
    owing.owe("XNOR-2", "desk", at=later(50), group_within=WINDOW)
    store.settle([Settled(first, "retry", later(600), "no answer")], later(51))
    assert sent_in_order(store, later(100)) == [["XNOR-3.1"]]
    assert sent_in_order(store, later(600)) == [["XNOR-1.1", "XNOR-2.1"], ["XNOR-2.2"]]


def test_a_digest_comes_by_itself_and_holds_up_nobody(store: Store, owing: Owing) -> None:
    owing.owe("XNOR-1", "desk", group_within=WINDOW)
    store.commit(a_digest("desk", later(5)))
    assert told(claimed(store, later(5))) == [["digest-desk.1"]]
    owing.owe("XNOR-1", "desk", at=later(30), group_within=WINDOW)
    assert sent_in_order(store, later(60)) == [["XNOR-1.1"], ["XNOR-1.2"]]


@pytest.mark.parametrize(
    "windows",
    [
        (None, WINDOW, None),
        (WINDOW, None, WINDOW),
        (WINDOW, WINDOW, None),
        (WINDOW, None, None),
        (None, None, WINDOW),
        (timedelta(minutes=5), WINDOW, None),
        (timedelta(minutes=5), None, WINDOW),
    ],
)
def test_the_order_holds_while_a_window_is_changed(
    store: Store, owing: Owing, windows: tuple[timedelta | None, ...]
) -> None:
    """A destination's window is taken away and given back while its messages wait."""
    for number, window in enumerate(windows):
        owing.owe("XNOR-1", "desk", at=later(number), group_within=window)
    seen: list[str] = []
    for seconds in range(0, 400, 5):
        for message in sent_in_order(store, later(seconds)):
            seen.extend(message)
    assert seen == ["XNOR-1.1", "XNOR-1.2", "XNOR-1.3"]


def test_what_is_told_in_between_by_itself_is_not_overtaken(store: Store, owing: Owing) -> None:
    """The first message still waits for company; joining it would tell the third event before the second."""
    owing.owe("XNOR-1", "desk", group_within=WINDOW)
    owing.owe("XNOR-1", "desk", at=later(1))
    owing.owe("XNOR-1", "desk", at=later(2), group_within=WINDOW)
    assert claim(store, later(10)) == [], "the second waits for the first"
    assert sent_in_order(store, later(22)) == [["XNOR-1.1"], ["XNOR-1.2"], ["XNOR-1.3"]]


def test_in_a_storm_with_two_senders_nothing_is_lost_told_twice_or_out_of_order(store: Store, url: str) -> None:
    """Threads with connections of their own: one owes, its destinations' windows changing; two claim and send."""
    destinations, subjects, turns = ("desk", "chat", "hook"), ("XNOR-1", "XNOR-2", "XNOR-3"), 40
    arrived: list[tuple[str, str, int]] = []
    seconds = [0.0]
    over = Signal()

    def owe() -> None:
        owing = Owing(store)
        random = Random(20260112)
        for _ in range(turns):
            window = random.choice([None, WINDOW, WINDOW])
            owing.owe(random.choice(subjects), *destinations, at=later(seconds[0]), group_within=window)
            seconds[0] += random.choice([1, 5, 15])
        over.set()

    def send(seed: int) -> None:
        mine, random = Store.open(url), Random(seed)
        while True:
            last = over.is_set()
            now = later(seconds[0] + (60 if last else 0))
            messages = mine.claim(now, limit=3, lease=20 * LEASE, per_destination=2)
            if last and not messages and not mine.outbox_counts()["leased"]:
                break
            for message in messages:
                outcome = random.choice(["sent", "sent", "retry", "release"])
                if outcome == "sent":
                    arrived.extend((message.destination, item.subject_id, item.event.seq) for item in message.items)
                mine.settle([Settled(message.id, outcome, now, "no answer")], now)  # type: ignore[arg-type]
        mine.close()

    threads = [Thread(target=owe, daemon=True), *(Thread(target=send, args=(n,), daemon=True) for n in (1, 2))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert store.outbox_counts()["sent"] == len(store.deliveries(999))
    assert len(arrived) == turns * len(destinations)
    for destination in destinations:
        for subject in subjects:
            seqs = [seq for to, about, seq in arrived if (to, about) == (destination, subject)]
            assert seqs == list(range(1, len(seqs) + 1)), "each once, in its order"


def test_the_order_holds_within_one_turn(store: Store) -> None:
    events = tuple(an_event("XNOR-1", seq) for seq in (1, 2, 3))
    windows = (WINDOW, None, WINDOW)
    owed = tuple(a_delivery("desk", event, group_within=window) for event, window in zip(events, windows, strict=True))
    store.commit(Changes(NOW, (a_change(events=events),), owed))
    assert sent_in_order(store, later(20)) == [["XNOR-1.1"], ["XNOR-1.2"], ["XNOR-1.3"]]


def test_an_event_that_waits_in_a_shared_message_is_not_owed_twice(store: Store, owing: Owing) -> None:
    owing.owe("XNOR-1", "desk", group_within=WINDOW)
    owing.owe("XNOR-2", "desk", at=later(1), group_within=WINDOW)
    for window in (WINDOW, None):
        again = a_delivery("desk", an_event("XNOR-2", at=later(1)), made_at=later(2), group_within=window)
        store.commit(Changes(later(2), deliveries=(again, again)))
    assert told(claimed(store, later(60))) == [["XNOR-1.1", "XNOR-2.1"]]


def test_a_window_of_no_time_is_no_window(store: Store, owing: Owing) -> None:
    owing.owe("XNOR-1", "desk", group_within=timedelta())
    owing.owe("XNOR-2", "desk", group_within=timedelta())
    assert told(claimed(store, NOW)) == [["XNOR-1.1"], ["XNOR-2.1"]]


def test_all_of_a_shared_message_shares_its_end(store: Store, owing: Owing) -> None:
    (name,) = owing.owe("XNOR-1", "desk", group_within=WINDOW)
    owing.owe("XNOR-2", "desk", at=later(1), group_within=WINDOW)
    claim(store, later(20))
    store.settle([Settled(name, "dead", error="no such mailbox")], later(21))
    (line,) = store.deliveries(9)
    assert (line.state, line.last_error, len(line.told)) == ("dead", "no such mailbox", 2)
    assert claim(store, NOW + 7 * HOUR) == []


def test_of_what_never_arrived_each_event_may_be_told_again(store: Store, owing: Owing) -> None:
    (name,) = owing.owe("XNOR-1", "desk", group_within=WINDOW)
    owing.owe("XNOR-2", "desk", at=later(1), group_within=WINDOW)
    claim(store, later(20))
    store.settle([Settled(name, "dead", error="no such mailbox")], later(21))
    again = tuple(
        a_delivery("desk", an_event(subject), made_at=later(60), group_within=WINDOW)
        for subject in ("XNOR-2", "XNOR-1")
    )
    store.commit(Changes(later(60), deliveries=again))
    (message,) = claimed(store, later(80))
    assert told((message,)) == [["XNOR-2.1", "XNOR-1.1"]]
    assert message.id not in {name, again[0].id}
    assert len({each.id for each in store.deliveries(9)}) == 2
