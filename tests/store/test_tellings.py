"""What a message tells, after what its destination was really told of the same: CAP documents refer to that."""

from __future__ import annotations

import pytest

from tests.store.scenes import MINUTE, Owing, after, an_event, claim
from watcher.alerts.model import EventType
from watcher.alerts.outbox import Settled, Telling
from watcher.store.store import Store


@pytest.fixture
def owing(store: Store) -> Owing:
    return Owing(store)


def end(store: Store, minutes: float, outcome: str) -> None:
    """Let all that is due at a time end in one way."""
    for name in claim(store, after(minutes)):
        store.settle([Settled(name, outcome, error="no answer")], after(minutes))  # type: ignore[arg-type]


def test_a_message_comes_after_what_its_destination_was_told_of_the_same(store: Store, owing: Owing) -> None:
    (first,) = owing.owe("XNOR-1", "desk")
    owing.owe("XNOR-2", "desk")
    end(store, 1, "sent")
    (lost, _) = owing.owe("XNOR-1", "desk", "room", at=after(2))
    end(store, 3, "dead")
    (last,) = owing.owe("XNOR-1", "desk", at=after(4))
    opened = EventType.OPENED
    assert store.tellings(last) == (
        Telling(an_event("XNOR-1"), opened, first, after(0)),
        Telling(an_event("XNOR-1", 3, at=after(4)), opened, last, after(4)),
    )
    assert [telling.delivery for telling in store.tellings(lost)] == [first, lost]
    assert [telling.delivery for telling in store.tellings(first)] == [first]


def test_a_message_that_tells_several_things_tells_them_in_their_order(store: Store, owing: Owing) -> None:
    (name,) = owing.owe("XNOR-1", "desk", group_within=5 * MINUTE)
    owing.owe("XNOR-1", "desk", at=after(1), group_within=5 * MINUTE)
    assert [telling.event.id for telling in store.tellings(name)] == ["XNOR-1.1", "XNOR-1.2"]


def test_a_message_that_is_not_kept_tells_nothing(store: Store) -> None:
    assert store.tellings("msg_of_another_winter") == ()
