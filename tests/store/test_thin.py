"""Thinning removes what is old and over, and nothing that still goes on."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from tests.alerts.scenes import XNOR
from tests.store.scenes import (
    LEASE,
    NOW,
    Owing,
    a_change,
    a_delivery,
    after,
    an_episode,
    an_event,
    everything,
    heard,
    is_sound,
)
from tests.store.test_load import Night
from watcher.alerts.changes import Changes
from watcher.alerts.model import EventType, Phase, StationState
from watcher.alerts.outbox import Settled
from watcher.store import thinning
from watcher.store.model import EventNumbers, StoredDestination, StoredSubscription, Thinned
from watcher.store.store import Store

DAY = timedelta(days=1)
NOTHING = Thinned(0, 0, 0, 0, 0, 0, 0)


def test_old_reports_go_but_not_those_that_a_station_stands_on(store: Store, url: str) -> None:
    night = Night(store)
    for hour in range(5):
        night.hear_texts(f"0{hour}55", f"METAR XNOR 120{hour}50Z 00000KT 9999 OVC020 01/M02 Q1021")
    night.hear_texts("0456", "TAF XNOR 120440Z 1206/1306 VRB03KT 9999 OVC010")
    before = store.load([XNOR], now=NOW)
    assert store.thin(NOW + 30 * DAY).reports == 4
    after_it = store.load([XNOR], now=NOW)
    assert after_it["XNOR"].latest == before["XNOR"].latest
    assert after_it["XNOR"].forecast == before["XNOR"].forecast
    assert len(everything(url)["report"]) == 2
    assert store.thin(NOW + 30 * DAY) == NOTHING


def test_only_what_is_older_goes(store: Store) -> None:
    night = Night(store)
    for hour in range(5):
        night.hear_texts(f"0{hour}55", f"METAR XNOR 120{hour}50Z 00000KT 9999 OVC020 01/M02 Q1021")
    assert store.thin(NOW.replace(hour=2)).reports == 2
    assert [moment.observed_at.hour for moment in night.loaded(NOW).history] == [2, 3, 4]


def test_a_clock_that_is_years_ahead_takes_no_more_than_was_allowed(store: Store) -> None:
    """It goes on by a day at a time from where it was, and again with the clock once that is right."""
    store.commit(Changes(NOW, unreadable=tuple(heard(str(day), NOW + day * DAY) for day in range(6))))
    assert store.thin(NOW + DAY / 2, DAY).unreadable == 1
    assert store.thin(NOW + 3650 * DAY, DAY).unreadable == 1
    assert [item.decoded.raw for item in store.unreadable(9)] == ["5", "4", "3", "2"]
    assert store.thin(NOW + DAY, DAY).unreadable == 0
    assert store.thin(NOW + 3 * DAY, DAY).unreadable == 0, "two days after the right time, not after the wrong one"
    assert store.thin(NOW + 3 * DAY, DAY).unreadable == 1
    assert store.thin(NOW + 3 * DAY, DAY).unreadable == 0
    assert store.thin(NOW + 9 * DAY).unreadable == 3


def test_a_clock_that_is_ahead_at_the_first_thinning_takes_a_day_from_the_oldest_report_on(store: Store) -> None:
    night = Night(store)
    for hour in range(5):
        night.hear_texts(f"0{hour}55", f"METAR XNOR 120{hour}50Z 00000KT 9999 OVC020 01/M02 Q1021")
    assert store.thin(NOW + 3650 * DAY, timedelta(hours=2)).reports == 2
    assert store.thin(NOW + 3650 * DAY, timedelta(hours=1)).reports == 1


def test_unreadable_texts_go_with_time(store: Store) -> None:
    store.commit(Changes(NOW, unreadable=(heard("one"), heard("two", NOW + DAY))))
    assert store.thin(NOW + DAY).unreadable == 1
    assert [item.decoded.raw for item in store.unreadable(9)] == ["two"]


def test_an_ended_episode_goes_with_all_that_was_said_of_it(store: Store, url: str) -> None:
    event = an_event("XNOR-1")
    message = a_delivery("desk", event)
    ended = an_episode(phase=Phase.ENDED, ended_at=after(30))
    store.commit(Changes(NOW, (a_change(episodes=(ended,), events=(event,)),), (message,)))
    store.claim(NOW, limit=1, lease=LEASE, per_destination=1)
    store.settle([Settled(message.id, "sent")], NOW)
    assert store.thin(NOW + DAY) == replace(NOTHING, deliveries=1, events=1, episodes=1)
    rows = everything(url)
    assert rows["delivery"] == rows["delivery_event"] == rows["event"] == rows["episode"] == []
    assert is_sound(url)


def test_whoever_follows_the_events_can_learn_up_to_where_some_are_gone(store: Store, monkeypatch) -> None:
    """Numbers alone do not tell: events of what goes on stay between those that went."""
    monkeypatch.setattr(thinning, "_AT_ONCE", 2)
    assert store.event_numbers() == EventNumbers(newest=0, removed_to=0)
    names = ("XNOR-1", "XNOR-2", "XNOR-3", "XNOR-4", "XNOR-5")
    store.commit(Changes(NOW, (a_change(events=tuple(map(an_event, names)), episodes=(an_episode(2),)),)))
    assert store.event_numbers() == EventNumbers(newest=5, removed_to=0)
    assert store.thin(NOW + DAY).events == 4
    assert [number for number, _ in store.events_after(0, 9)] == [2]
    assert store.event_numbers() == EventNumbers(newest=5, removed_to=5)
    store.commit(Changes(NOW + DAY, (a_change(version=1, events=(an_event("XNOR-6", at=NOW + DAY),)),)))
    assert store.thin(NOW + DAY).events == 0
    assert store.event_numbers() == EventNumbers(newest=6, removed_to=5)


def test_what_was_told_of_an_open_episode_stays(store: Store) -> None:
    event = an_event("XNOR-1")
    message = a_delivery("desk", event)
    store.commit(Changes(NOW, (a_change(episodes=(an_episode(),), events=(event,)),), (message,)))
    store.claim(NOW, limit=1, lease=LEASE, per_destination=1)
    store.settle([Settled(message.id, "sent")], NOW)
    before = store.told(NOW)
    assert store.thin(NOW + 30 * DAY) == NOTHING
    assert store.told(NOW + 30 * DAY) == before != {}


def test_what_was_told_of_a_blind_station_stays(store: Store) -> None:
    Owing(store).owe("XNOR", "desk", told_as=EventType.BLIND)
    store.commit(Changes(NOW, (a_change(version=1, state=StationState("XNOR", blind_since=NOW, seq=1)),)))
    (claimed,) = store.claim(NOW, limit=1, lease=LEASE, per_destination=1)
    store.settle([Settled(claimed.id, "sent")], NOW)
    assert store.thin(NOW + 30 * DAY) == NOTHING
    assert set(store.told(NOW + 30 * DAY)) == {("desk", "XNOR")}


def test_an_open_episode_that_nobody_was_told_of_can_still_be_told(store: Store) -> None:
    """Its last event may be old when somebody's hours begin; the message needs it."""
    event = an_event("XNOR-1")
    store.commit(Changes(NOW, (a_change(episodes=(an_episode(),), events=(event,)),)))
    assert store.thin(NOW + 30 * DAY) == NOTHING
    store.commit(Changes(NOW + 30 * DAY, deliveries=(a_delivery("desk", event),)))
    assert store.outbox_counts()["pending"] == 1


def test_what_is_still_owed_stays_with_its_event(store: Store) -> None:
    Owing(store).owe("XNOR-1", "desk")
    assert store.thin(NOW + 30 * DAY) == NOTHING
    assert store.outbox_counts()["pending"] == 1


def test_a_shared_message_stays_whole_while_one_of_its_subjects_goes_on(store: Store, url: str) -> None:
    over, going_on = an_event("XNOR-1"), an_event("XNOR-2")
    owed = tuple(a_delivery("desk", each, group_within=timedelta(seconds=20)) for each in (over, going_on))
    episodes = an_episode(1, phase=Phase.ENDED, ended_at=after(30)), an_episode(2)
    store.commit(Changes(NOW, (a_change(episodes=episodes, events=(over, going_on)),), owed))
    (claimed,) = store.claim(after(1), limit=1, lease=LEASE, per_destination=1)
    store.settle([Settled(claimed.id, "sent")], after(1))
    assert store.thin(NOW + 30 * DAY) == replace(NOTHING, episodes=1)
    (message,) = store.deliveries(9)
    assert [line.subject_id for line in message.told] == ["XNOR-1", "XNOR-2"]
    assert set(store.told(NOW + 30 * DAY)) == {("desk", "XNOR-2")}
    assert is_sound(url)
    store.commit(Changes(after(60), (a_change(version=1, episodes=(replace(episodes[1], ended_at=after(60)),)),)))
    assert store.thin(NOW + 30 * DAY) == replace(NOTHING, deliveries=1, events=2, episodes=1)


def test_what_never_arrived_is_remembered_while_its_episode_goes_on(store: Store) -> None:
    """How often it was tried names the next message; a removed line would give an old name again."""
    event = an_event("XNOR-1")
    message = a_delivery("desk", event)
    store.commit(Changes(NOW, (a_change(episodes=(an_episode(),), events=(event,)),), (message,)))
    store.claim(NOW, limit=1, lease=LEASE, per_destination=1)
    store.settle([Settled(message.id, "dead", error="no such mailbox")], NOW)
    assert store.thin(NOW + 30 * DAY) == NOTHING
    store.commit(Changes(NOW + 30 * DAY, deliveries=(replace(message, made_at=NOW + 30 * DAY),)))
    assert len({item.id for item in store.deliveries(9)}) == 2


def test_who_took_what_goes_on_is_remembered(store: Store) -> None:
    store.commit(Changes(NOW, (a_change(episodes=(an_episode(1), an_episode(2))),)))
    for name in ("XNOR-1", "XNOR-2"):
        assert store.acknowledge(name, by="ramp", note="", now=after(1)) is not None
    store.commit(
        Changes(after(5), (a_change(version=1, episodes=(an_episode(1, phase=Phase.ENDED, ended_at=after(5)),)),))
    )
    assert store.thin(NOW + DAY) == replace(NOTHING, episodes=1, acknowledgements=1)
    assert [item.episode for item in store.unnoticed_acknowledgements()] == ["XNOR-2"]
    taken = store.acknowledge("XNOR-2", by="desk", note="", now=NOW + DAY)
    assert taken is not None
    assert taken.acknowledgement.by == "ramp"


def test_subscribers_and_tokens_are_never_thinned(store: Store) -> None:
    store.put_subscription(StoredSubscription("north", "{}", False, NOW, NOW))
    store.put_destination(StoredDestination("desk", "{}", None, None, NOW, NOW))
    store.disable_destination("desk", "410 Gone", NOW)
    store.add_token("board", "ab" * 32, {"read"}, after(60), NOW)
    before, key = store.people(), store.link_key()
    assert store.thin(NOW + 365 * DAY) == NOTHING
    assert (store.people(), store.link_key(), len(store.tokens())) == (before, key, 1)


def test_followers_of_the_events_see_no_number_twice(store: Store) -> None:
    """The newest event is removed; the next one does not take its number."""
    owing = Owing(store)
    (name,) = owing.owe("XNOR-1", "desk")
    ((number, _),) = store.events_after(0, 10)
    store.claim(NOW, limit=1, lease=LEASE, per_destination=1)
    store.settle([Settled(name, "sent")], NOW)
    assert store.thin(NOW + DAY).events == 1
    owing.owe("XNOR-2", "desk")
    ((next_number, _),) = store.events_after(number, 10)
    assert next_number == number + 1


@pytest.mark.parametrize("count", [6, 7])
def test_a_long_past_goes_in_several_short_turns(store: Store, monkeypatch: pytest.MonkeyPatch, count: int) -> None:
    monkeypatch.setattr(thinning, "_AT_ONCE", 3)
    texts = tuple(heard(f"no report {number}") for number in range(count))
    store.commit(Changes(NOW, unreadable=texts))
    assert store.thin(NOW + DAY).unreadable == count
    assert store.unreadable(99) == ()
