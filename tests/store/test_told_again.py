"""What never arrived is told again once the telling asks for it; what arrived or is on its way never is."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import pytest

from tests.alerts.scenes import XNOR, small_book
from tests.store.scenes import (
    HOUR,
    LEASE,
    NOW,
    a_change,
    a_delivery,
    after,
    an_episode,
    an_event,
    everything,
    is_sound,
    raw_connection,
)
from watcher.alerts.changes import Changes
from watcher.alerts.listeners import Listeners
from watcher.alerts.model import Episode, EventType, Phase, Policy, StationState, StationView
from watcher.alerts.outbox import NewDelivery, Settled
from watcher.alerts.subscribers import Recipient, Subscription
from watcher.alerts.tell import tell
from watcher.rulebook.words import Level
from watcher.store.store import Store

BOOK = small_book()


@dataclass
class Service:
    """The real telling over the real store, restarted before every step: what was told is read again each time."""

    store: Store
    window: timedelta | None = None
    remind_every: timedelta | None = None
    episode: Episode = field(default_factory=an_episode)
    version: int = 0

    def begin(self, now: datetime = NOW) -> tuple[NewDelivery, ...]:
        return self.put(self.episode, EventType.OPENED, now)

    def put(self, episode: Episode, type_: EventType, now: datetime) -> tuple[NewDelivery, ...]:
        """Commit an episode with its event, and what is owed because of it."""
        self.episode = episode
        change = a_change(
            version=self.version, episodes=(episode,), events=(an_event("XNOR-1", episode.seq, type_, now),)
        )
        self.version += 1
        self.store.commit(Changes(now, (change,)))
        return self.tick(now)

    def tick(self, now: datetime) -> tuple[NewDelivery, ...]:
        """Put into the outbox what the telling asks for now; return it."""
        told = self.store.told(now)
        view = StationView(XNOR, StationState("XNOR"), episodes=(self.episode,))
        listeners = Listeners(
            (Subscription("all", ("desk",), min_level=Level.NOTE, remind_every=self.remind_every),),
            (Recipient("desk", self.window),),
        )
        telling = tell((), (view,), listeners, told, rulebook=BOOK, policy=Policy(), now=now)
        self.store.commit(Changes(now, deliveries=telling.deliveries))
        return telling.deliveries

    def send(self, now: datetime, outcome: str = "sent") -> list[tuple[str, list[tuple[str, EventType, int]]]]:
        """Claim all, and let it end so; return the messages with what they tell."""
        claimed = self.store.claim(now, limit=9, lease=LEASE, per_destination=9)
        self.store.settle([Settled(item.id, outcome, error="refused") for item in claimed], now)  # type: ignore[arg-type]
        return [(each.id, [(item.event.id, item.told_as, item.repeat) for item in each.items]) for each in claimed]


@pytest.mark.parametrize("window", [None, timedelta(seconds=20)])
def test_what_died_is_told_again_under_another_name_until_it_arrives(
    store: Store, url: str, window: timedelta | None
) -> None:
    service = Service(store, window)
    (asked,) = service.begin()
    names: list[str] = []
    for minute in (1, 3, 5):
        ((name, told),) = service.send(after(minute), "dead")
        assert told == [("XNOR-1.1", EventType.OPENED, 0)]
        names.append(name)
        assert store.told(after(minute)) == {}
        assert len(service.tick(after(minute + 1))) == 1
    ((arrived, told),) = service.send(after(8))
    assert told == [("XNOR-1.1", EventType.OPENED, 0)]
    assert names[0] == asked.id
    assert len({*names, arrived}) == 4
    assert service.tick(after(9)) == ()
    assert service.send(after(9)) == []
    assert [each.state.value for each in reversed(store.deliveries(9))] == ["dead", "dead", "dead", "sent"]
    assert all(len(each.told) == 1 for each in store.deliveries(9)), "each still says what it told"
    assert is_sound(url)


def test_what_expired_is_told_again_as_things_stand_then(store: Store) -> None:
    service = Service(store)
    service.begin()
    late = NOW + 6 * HOUR
    assert [each.told_as for each in service.tick(late)] == [EventType.OPENED], "though no claim has marked it yet"
    assert store.outbox_counts()["expired"] == 1
    ((_, told),) = service.send(late)
    assert told == [("XNOR-1.1", EventType.OPENED, 0)]
    assert service.tick(late) == ()


def test_what_was_in_hand_when_everything_stopped_is_told_again_if_it_is_too_late_for_it(store: Store) -> None:
    """Nobody has claimed anything since: what runs out by itself is seen all the same."""
    service = Service(store)
    service.begin()
    store.claim(NOW, limit=1, lease=LEASE, per_destination=1)
    assert set(store.told(NOW + 6 * HOUR - LEASE)) == {("desk", "XNOR-1")}, "the next claim sends it"
    late = NOW + 6 * HOUR
    assert store.told(late) == {}
    assert len(service.tick(late)) == 1
    assert store.outbox_counts() == {"pending": 1, "leased": 0, "sent": 0, "dead": 0, "expired": 1}


def test_what_is_in_hand_beyond_its_time_is_not_told_again(store: Store) -> None:
    service = Service(store)
    (asked,) = service.begin()
    late = NOW + 6 * HOUR - LEASE / 2
    store.claim(late, limit=1, lease=LEASE, per_destination=1)
    assert service.tick(NOW + 6 * HOUR) == ()
    store.settle([Settled(asked.id, "sent")], NOW + 6 * HOUR)
    assert service.tick(NOW + 7 * HOUR) == ()


def test_a_change_that_died_is_told_again_and_what_was_known_before_is_not(store: Store) -> None:
    service = Service(store)
    service.begin()
    service.send(NOW)
    service.put(an_episode(level=Level.NO_TIME, seq=2), EventType.RAISED, after(1))
    service.send(after(1), "dead")
    assert [(each.told_as, each.seq) for each in service.tick(after(2))] == [(EventType.RAISED, 2)]
    ((_, told),) = service.send(after(2))
    assert told == [("XNOR-1.2", EventType.RAISED, 0)]
    assert service.tick(after(3)) == ()


def test_a_reminder_that_died_is_told_again_with_the_same_count(store: Store) -> None:
    service = Service(store, remind_every=timedelta(minutes=30))
    service.begin()
    service.send(NOW)
    assert [each.repeat for each in service.tick(after(30))] == [1]
    service.send(after(30), "dead")
    assert [each.repeat for each in service.tick(after(31))] == [1]
    ((_, told),) = service.send(after(31))
    assert told == [("XNOR-1.1", EventType.REMINDER, 1)]
    assert service.tick(after(32)) == ()
    assert [each.repeat for each in service.tick(after(61))] == [2]


def test_whoever_was_switched_off_is_told_how_things_stand_once_it_is_back(store: Store) -> None:
    service = Service(store)
    service.begin()
    store.disable_destination("desk", "410 Gone", after(1))
    service.put(an_episode(level=Level.NO_TIME, seq=2), EventType.RAISED, after(2))
    assert service.send(after(3)) == []
    store.enable_destination("desk")
    assert [(each.told_as, each.seq) for each in service.tick(after(4))] == [(EventType.OPENED, 2)]
    ((_, told),) = service.send(after(4))
    assert told == [("XNOR-1.2", EventType.OPENED, 0)]


@pytest.mark.parametrize("state", ["pending", "leased", "sent", "retry"])
def test_what_arrived_or_is_on_its_way_is_not_owed_again(store: Store, url: str, state: str) -> None:
    """Asked for all the same, as another process may do that has loaded nothing since."""
    service = Service(store)
    asked = service.begin()
    if state == "leased":
        store.claim(NOW, limit=1, lease=LEASE, per_destination=1)
    if state in {"sent", "retry"}:
        service.send(NOW, state)
    before = everything(url)
    store.commit(Changes(after(1), deliveries=(*asked, *asked)))
    assert everything(url) == before


def test_in_one_turn_it_is_owed_once_however_often_it_never_arrived(store: Store) -> None:
    service = Service(store)
    asked = service.begin()
    service.send(NOW, "dead")
    store.commit(Changes(after(1), deliveries=(*asked, *asked)))
    store.commit(Changes(after(2), deliveries=asked))
    assert store.outbox_counts() == {"pending": 1, "leased": 0, "sent": 0, "dead": 1, "expired": 0}


def test_what_arrived_late_after_all_is_told_no_third_time(store: Store) -> None:
    """Given up while it was in hand, owed again, and then it turns out that it had arrived."""
    service = Service(store)
    (asked,) = service.begin()
    store.claim(NOW, limit=1, lease=LEASE, per_destination=1)
    late = NOW + 6 * HOUR
    assert service.send(late) == [], "its lease ran out and its time is over"
    assert len(service.tick(late)) == 1
    store.settle([Settled(asked.id, "sent")], late)
    assert service.tick(late + LEASE) == ()
    assert len(service.send(late + LEASE)) == 1
    assert service.tick(late + 2 * LEASE) == ()
    assert store.outbox_counts()["sent"] == 2


@pytest.mark.sqlite
def test_the_database_itself_refuses_a_true_duplicate(store: Store, url: str) -> None:
    """Whatever the program may do wrong: one line for each event, destination, reminder and attempt."""
    Service(store).begin()
    connection = raw_connection(url)
    names = [row[1] for row in connection.execute("PRAGMA table_info(delivery_event)") if row[1] != "number"]
    with pytest.raises(sqlite3.IntegrityError, match=r"UNIQUE.*event_id"):
        connection.execute(
            f"INSERT INTO delivery_event ({', '.join(names)}) SELECT {', '.join(names)} FROM delivery_event"
        )
    connection.close()


def test_an_ending_that_died_can_be_told_again(store: Store) -> None:
    """The telling may not ask for it, but whoever does is heard."""
    service = Service(store)
    service.begin()
    service.send(NOW)
    end = an_event("XNOR-1", 2, EventType.CLOSED, after(5))
    closed = an_episode(phase=Phase.ENDED, ended_at=after(5), seq=2)
    message = a_delivery("desk", end)
    store.commit(Changes(after(5), (a_change(version=1, episodes=(closed,), events=(end,)),), (message,)))
    service.send(after(5), "dead")
    store.commit(Changes(after(6), deliveries=(a_delivery("desk", end, made_at=after(6)),)))
    ((name, told),) = service.send(after(6))
    assert told == [("XNOR-1.2", EventType.CLOSED, 0)]
    assert name != message.id
