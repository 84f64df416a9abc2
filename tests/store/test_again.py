"""Sending again what did not arrive: when it may go, and that nobody is told what no longer holds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from tests.store.scenes import (
    HOUR,
    LEASE,
    MINUTE,
    NOW,
    a_change,
    a_delivery,
    after,
    an_episode,
    an_event,
    claim,
)
from watcher.alerts.changes import Changes
from watcher.alerts.model import Episode, Event, EventType, Phase, StationState
from watcher.alerts.outbox import Settled
from watcher.rulebook.words import Level
from watcher.store.again import OLDEST, WORTH_AGAIN
from watcher.store.model import Again, Arrivals, DeliveryState
from watcher.store.store import Store

DAY = 24 * HOUR
OPENED = "msg_XNOR-1.1_desk"


def keep(
    store: Store, episode: Episode, event: Event, version: int = 0, destinations: Sequence[str] = ("desk",)
) -> None:
    """Keep an episode as it stands, its event, and the messages that tell of it."""
    deliveries = tuple(a_delivery(name, event, level=episode.level, kind=episode.kind) for name in destinations)
    store.commit(Changes(event.at, (a_change(version=version, episodes=(episode,), events=(event,)),), deliveries))


@pytest.fixture
def refused(store: Store) -> Store:
    """A store with an open alert whose message a destination has refused for good."""
    keep(store, an_episode(), an_event("XNOR-1"))
    assert claim(store) == [OPENED]
    store.settle([Settled(OPENED, "dead", error="no such mailbox")], after(1))
    return store


def test_a_refused_message_goes_again_under_its_own_name(refused: Store) -> None:
    assert refused.send_again(OPENED, after(5)) is Again.DUE
    kept = refused.delivery(OPENED)
    assert kept is not None
    assert (kept.state, kept.due_at, kept.settled_at) == (DeliveryState.PENDING, after(5), None)
    assert kept.last_error == "no such mailbox", "until it arrives, the reason stays in sight"
    (again,) = refused.claim(after(5), limit=5, lease=LEASE, per_destination=4)
    assert (again.id, again.attempts) == (OPENED, 2)


def test_its_time_is_extended_to_the_next_half_hour_and_no_further(refused: Store) -> None:
    late = NOW + 6 * HOUR + 5 * MINUTE
    assert refused.send_again(OPENED, late) is Again.DUE
    kept = refused.delivery(OPENED)
    assert kept is not None
    assert kept.valid_until == late + WORTH_AGAIN


def test_its_time_is_never_shortened(refused: Store) -> None:
    refused.send_again(OPENED, after(5))
    kept = refused.delivery(OPENED)
    assert kept is not None
    assert kept.valid_until == NOW + 6 * HOUR


def test_one_that_arrived_is_never_sent_twice(store: Store) -> None:
    keep(store, an_episode(), an_event("XNOR-1"))
    claim(store)
    store.settle([Settled(OPENED, "sent")], after(1))
    assert store.send_again(OPENED, after(2)) is Again.ARRIVED
    assert claim(store, after(3)) == []


def test_one_that_is_being_sent_is_left_to_its_sender(store: Store) -> None:
    keep(store, an_episode(), an_event("XNOR-1"))
    claim(store)
    assert store.send_again(OPENED, after(1)) is Again.UNDER_WAY
    assert store.send_again(OPENED, NOW + LEASE) is Again.DUE, "its sender is gone"


def test_one_that_waits_for_its_next_try_goes_at_once(store: Store) -> None:
    keep(store, an_episode(), an_event("XNOR-1"))
    claim(store)
    store.settle([Settled(OPENED, "retry", after(15), "no answer")], after(1))
    assert claim(store, after(2)) == []
    assert store.send_again(OPENED, after(2)) is Again.DUE
    assert claim(store, after(2)) == [OPENED]


def test_a_destination_that_is_switched_off_gets_nothing(refused: Store) -> None:
    refused.disable_destination("desk", "paused", after(2))
    assert refused.send_again(OPENED, after(3)) is Again.SWITCHED_OFF
    refused.enable_destination("desk")
    assert refused.send_again(OPENED, after(4)) is Again.DUE


def test_what_is_a_day_old_is_no_news(refused: Store) -> None:
    assert refused.send_again(OPENED, NOW + OLDEST + MINUTE) is Again.TOO_OLD


def test_a_newer_message_about_the_same_goes_instead(refused: Store) -> None:
    raised = an_event("XNOR-1", 2, EventType.RAISED, after(3))
    keep(refused, an_episode(level=Level.NO_TIME, seq=2), raised, version=1)
    assert refused.send_again(OPENED, after(4)) is Again.NEWER


@pytest.mark.parametrize(
    "now_is",
    [an_episode(level=Level.NOTE, seq=2), an_episode(phase=Phase.ENDED, ended_at=after(3), seq=2)],
    ids=["it became less", "it ended"],
)
def test_nobody_is_told_what_no_longer_holds(refused: Store, now_is: Episode) -> None:
    event = an_event("XNOR-1", 2, EventType.LOWERED, after(3))
    keep(refused, now_is, event, version=1, destinations=())
    assert refused.send_again(OPENED, after(4)) is Again.OUTDATED
    assert claim(refused, after(5)) == []


def test_the_end_of_an_alert_may_be_told_later(store: Store) -> None:
    closed = replace(an_event("XNOR-1"), type=EventType.CLOSED)
    keep(store, an_episode(phase=Phase.ENDED, ended_at=NOW), closed)
    claim(store)
    store.settle([Settled(OPENED, "dead", error="room is closed")], after(1))
    assert store.send_again(OPENED, after(30)) is Again.DUE


def test_a_station_that_sees_again_is_not_told_of_as_blind(store: Store) -> None:
    blind = an_event("XNOR", 1, EventType.BLIND)
    state = StationState("XNOR", blind_since=NOW, seq=1)
    told = (a_delivery("desk", blind, level=None, kind=None),)
    store.commit(Changes(NOW, (a_change(state=state, events=(blind,)),), told))
    claim(store)
    store.settle([Settled("msg_XNOR.1_desk", "dead", error="full")], after(1))
    assert store.send_again("msg_XNOR.1_desk", after(2)) is Again.DUE
    claim(store, after(2))
    store.settle([Settled("msg_XNOR.1_desk", "dead", error="full")], after(3))
    seeing = an_event("XNOR", 2, EventType.SEEING, after(4))
    store.commit(Changes(after(4), (a_change(version=1, state=StationState("XNOR", seq=2), events=(seeing,)),)))
    assert store.send_again("msg_XNOR.1_desk", after(5)) is Again.OUTDATED


def test_what_is_not_there_is_not_sent(store: Store) -> None:
    assert store.send_again("msg_nothing", NOW) is Again.UNKNOWN
    assert store.delivery("msg_nothing") is None


def test_what_waits_again_is_not_owed_a_second_time(refused: Store) -> None:
    """The watcher may owe the same anew while the old message waits: it is one message all the same."""
    refused.send_again(OPENED, after(2))
    refused.commit(Changes(after(3), (), (a_delivery("desk", an_event("XNOR-1")),)))
    assert [item.id for item in refused.deliveries(10)] == [OPENED]


def test_the_last_success_and_the_last_failure_of_a_destination_are_known(refused: Store) -> None:
    keep(refused, an_episode(2), an_event("XNOR-2", at=after(2)), version=1, destinations=("desk", "room"))
    refused.settle([Settled(name, "sent") for name in claim(refused, after(3))], after(3))
    assert refused.arrivals() == {
        "desk": Arrivals(after(3), "no such mailbox", NOW),
        "room": Arrivals(after(3)),
    }


def test_deliveries_are_read_by_destination_subject_and_page(store: Store) -> None:
    for number in range(1, 6):
        destinations = ("desk", "room") if number % 2 else ("desk",)
        event = an_event(f"XNOR-{number}", at=after(number))
        keep(store, an_episode(number), event, version=number - 1, destinations=destinations)
    of_desk = [item.id for item in store.deliveries(10, destination="desk")]
    assert of_desk == [f"msg_XNOR-{number}.1_desk" for number in (5, 4, 3, 2, 1)]
    assert [item.id for item in store.deliveries(2, destination="desk", before=of_desk[1])] == of_desk[2:4]
    assert {item.destination for item in store.deliveries(10, about="XNOR-3")} == {"desk", "room"}
    assert store.deliveries(10, "sent", destination="desk") == ()
    assert store.deliveries(10, before="msg_nothing") == ()
