"""What destinations were last told, where messages are shared and reminders, takers and digests are told too."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from tests.store.scenes import HOUR, LEASE, NOW, a_change, a_delivery, after, an_episode, an_event
from watcher.alerts.changes import Changes
from watcher.alerts.model import Event, EventBody, EventType, Phase, StationState, SubjectKind
from watcher.alerts.outbox import Settled, Told
from watcher.rulebook.words import Kind, Level
from watcher.store.store import Store

WINDOW = timedelta(seconds=20)
DAY = timedelta(days=1)


def told_of(seq: int, type_: EventType, at: datetime, level: Level | None = Level.TREAT, repeat: int = 0) -> Told:
    return Told("desk", "XNOR-1", type_, level, Kind.OBSERVED, seq, at, repeat)


def put(store: Store, version: int, *events: Event, at: datetime = NOW, **fields: object) -> tuple[str, ...]:
    """Commit events of an open XNOR-1 and XNOR-2, owed to the desk; return the ids of what is owed."""
    owed = tuple(a_delivery("desk", event, made_at=at, **fields) for event in events)
    episodes = an_episode(1), an_episode(2)
    store.commit(Changes(at, (a_change(version=version, episodes=episodes, events=events),), owed))
    return tuple(item.id for item in owed)


def end(store: Store, outcome: str, now: datetime) -> None:
    claimed = store.claim(now, limit=9, lease=LEASE, per_destination=9)
    assert claimed
    store.settle([Settled(item.id, outcome, after(60), "why") for item in claimed], now)  # type: ignore[arg-type]


def test_each_subject_of_a_shared_message_is_known_by_itself(store: Store) -> None:
    put(store, 0, an_event("XNOR-1"), an_event("XNOR-2"), group_within=WINDOW)
    put(store, 1, an_event("XNOR-1", 2, EventType.RAISED), at=after(0.1), group_within=WINDOW)
    assert len(store.deliveries(9)) == 1
    wanted = {
        ("desk", "XNOR-1"): told_of(2, EventType.RAISED, after(0.1)),
        ("desk", "XNOR-2"): replace(told_of(1, EventType.OPENED, NOW), subject_id="XNOR-2"),
    }
    assert store.told(NOW) == wanted
    end(store, "sent", after(1))
    assert store.told(after(1)) == wanted


@pytest.mark.parametrize("outcome", ["dead", "expired"])
def test_a_shared_message_that_never_arrived_told_nothing_of_any_subject(store: Store, outcome: str) -> None:
    put(store, 0, an_event("XNOR-1"), group_within=WINDOW)
    end(store, "sent", after(1))
    put(store, 1, an_event("XNOR-1", 2, EventType.RAISED), an_event("XNOR-2"), at=after(2), group_within=WINDOW)
    late = after(3)
    if outcome == "dead":
        end(store, "dead", late)
    else:
        late = after(2) + 6 * HOUR
        assert store.claim(late, limit=9, lease=LEASE, per_destination=9) == ()
    assert store.told(late) == {("desk", "XNOR-1"): told_of(1, EventType.OPENED, NOW)}


def test_reminders_are_counted_for_the_event_they_repeat(store: Store) -> None:
    event = an_event("XNOR-1")
    put(store, 0, event)
    for repeat in (1, 2):
        item = a_delivery(
            "desk", event, told_as=EventType.REMINDER, repeat=repeat, made_at=after(30 * repeat),
        )  # fmt: skip
        store.commit(Changes(after(30 * repeat), deliveries=(replace(item, id=f"{item.id}-r{repeat}"),)))
    assert store.told(after(60)) == {("desk", "XNOR-1"): told_of(1, EventType.REMINDER, after(60), repeat=2)}


def test_a_reminder_that_died_leaves_the_one_before(store: Store) -> None:
    event = an_event("XNOR-1")
    put(store, 0, event)
    end(store, "sent", NOW)
    item = a_delivery("desk", event, told_as=EventType.REMINDER, repeat=1, made_at=after(30))
    store.commit(Changes(after(30), deliveries=(replace(item, id="msg_reminder"),)))
    end(store, "dead", after(30))
    assert store.told(after(31)) == {("desk", "XNOR-1"): told_of(1, EventType.OPENED, NOW)}


def test_who_took_it_is_what_was_last_told(store: Store) -> None:
    put(store, 0, an_event("XNOR-1"))
    put(store, 1, an_event("XNOR-1", 2, EventType.TAKEN, after(5)), at=after(5))
    assert store.told(after(5)) == {("desk", "XNOR-1"): told_of(2, EventType.TAKEN, after(5))}


def test_a_destination_that_is_switched_off_has_heard_what_it_was_sent_and_no_more(store: Store) -> None:
    put(store, 0, an_event("XNOR-1"))
    end(store, "sent", NOW)
    put(store, 1, an_event("XNOR-1", 2, EventType.RAISED), at=after(1))
    store.disable_destination("desk", "410 Gone", after(2))
    assert store.told(after(2)) == {("desk", "XNOR-1"): told_of(1, EventType.OPENED, NOW)}
    store.enable_destination("desk")
    assert store.told(after(2)) == {("desk", "XNOR-1"): told_of(1, EventType.OPENED, NOW)}


def test_what_is_over_is_forgotten_line_by_line(store: Store) -> None:
    put(store, 0, an_event("XNOR-1"), an_event("XNOR-2"), group_within=WINDOW)
    ended = an_episode(1, phase=Phase.ENDED, ended_at=after(5))
    store.commit(Changes(after(5), (a_change(version=1, episodes=(ended,)),)))
    assert set(store.told(after(5))) == {("desk", "XNOR-2")}


def test_a_blind_station_and_its_episodes_in_one_message(store: Store) -> None:
    blind = an_event("XNOR", 1, EventType.BLIND)
    put(store, 0, an_event("XNOR-1"), blind, group_within=WINDOW)
    state = StationState("XNOR", blind_since=NOW, seq=1)
    store.commit(Changes(NOW, (a_change(version=1, state=state),)))
    assert {key: told.type for key, told in store.told(NOW).items()} == {
        ("desk", "XNOR-1"): EventType.OPENED,
        ("desk", "XNOR"): EventType.BLIND,
    }


@pytest.mark.parametrize("outcome", ["sent", "retry", "dead", "expired"])
def test_a_digest_is_made_once_whether_it_arrived_or_not(store: Store, outcome: str) -> None:
    body = EventBody("", None, "Europe/Oslo", "Digest", "why", "next", level=Level.TREAT, begins_at=NOW)
    digest = Event(SubjectKind.DIGEST, "digest-0a1b", 29470000, EventType.DIGEST, NOW, body)
    message = a_delivery("desk", digest, kind=None)
    for _ in range(2):
        store.commit(Changes(NOW, deliveries=(message,), digests=(digest,)))
    known = {("desk", "digest-0a1b"): Told("desk", "digest-0a1b", EventType.DIGEST, Level.TREAT, None, 29470000, NOW)}
    assert store.told(NOW) == known
    if outcome == "expired":
        assert store.claim(NOW + 6 * HOUR, limit=9, lease=LEASE, per_destination=9) == ()
    else:
        (claimed,) = store.claim(NOW, limit=9, lease=LEASE, per_destination=9)
        assert claimed.items[0].event == digest
        store.settle([Settled(claimed.id, outcome, after(60), "why")], NOW)  # type: ignore[arg-type]
    assert store.told(NOW + 1.9 * DAY) == known
    assert store.told(NOW + 2 * DAY) == {}, "the next has come long since"
    assert len(store.deliveries(9)) == len(store.events_after(0, 9)) == 1
