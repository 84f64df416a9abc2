"""What in the outbox does not go as it should: late, tried by nobody, lost."""

from __future__ import annotations

import pytest

from tests.store.scenes import HOUR, MINUTE, NOW, Owing, after, claim
from watcher.alerts.changes import Changes
from watcher.alerts.model import Event, EventBody, EventType, SubjectKind
from watcher.alerts.outbox import NewDelivery, Settled
from watcher.store.model import Backlog
from watcher.store.store import Store

LATE = 15 * MINUTE


@pytest.fixture
def owing(store: Store) -> Owing:
    return Owing(store)


def backlog(store: Store, minutes: float) -> Backlog:
    return store.backlog(after(minutes), late=LATE, lately=HOUR)


def test_what_nobody_tries_is_the_fault_of_the_senders(store: Store, owing: Owing) -> None:
    owing.owe("XNOR-1", "desk")
    assert backlog(store, 15) == Backlog({}, None, {})
    assert backlog(store, 16) == Backlog({"desk": NOW}, NOW, {})


def test_what_was_tried_is_late_since_it_was_made_and_no_fault_of_the_senders(store: Store, owing: Owing) -> None:
    (first,) = owing.owe("XNOR-1", "desk")
    owing.owe("XBAY-1", "desk", made_at=after(5))
    assert first in claim(store)
    store.settle([Settled(first, "retry", after(40), "no answer")], after(1))
    assert backlog(store, 30) == Backlog({"desk": NOW}, None, {}), "the receiver does not answer, and somebody asks it"
    owing.owe("XFEL-1", "room", made_at=after(10))
    assert backlog(store, 30).untried_since == after(10)


def test_what_was_lost_counts_for_an_hour_and_not_where_it_is_switched_off(store: Store, owing: Owing) -> None:
    for destination in ("desk", "room"):
        (name,) = owing.owe(f"X{destination[:3].upper()}-1", destination)
        assert name in claim(store)
        store.settle([Settled(name, "dead", error="no such mailbox")], after(1))
    assert backlog(store, 2).lost == {"desk": 1, "room": 1}
    store.disable_destination("room", "wants no more", after(3))
    assert backlog(store, 30).lost == {"desk": 1}
    assert backlog(store, 62).lost == {}


def test_a_caretaker_that_is_not_reached_makes_no_new_loss(store: Store) -> None:
    body = EventBody("", None, None, "Service not well: late", "late", "look")
    event = Event(SubjectKind.SERVICE, "service-late", 1, EventType.UNWELL, NOW, body)
    owed = NewDelivery("msg_1", "desk", event.subject_id, 1, event.type, None, None, NOW, NOW + HOUR)
    store.commit(Changes(NOW, deliveries=(owed,), service_events=(event,)))
    assert claim(store) == ["msg_1"]
    store.settle([Settled("msg_1", "dead", error="no such mailbox")], after(1))
    assert store.outbox_counts()["dead"] == 1
    assert backlog(store, 2).lost == {}


def test_the_term_of_the_leader_is_read_without_taking_part(store: Store) -> None:
    assert store.term() == 0
    leadership = store.leadership()
    assert leadership.campaign() == 1
    assert store.term() == 1
    leadership.resign()
    assert store.term() == 1, "that of the last"
