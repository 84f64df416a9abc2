"""Decide, then commit: the cycle over a real SQLite store, through restarts, conflicts and a store that refuses."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from tests.alerts.scenes import XNOR, at, report, small_book
from tests.chosen import database_at
from watcher.alerts.listeners import Listeners
from watcher.alerts.model import EventType, Policy
from watcher.alerts.subscribers import Recipient, Subscription
from watcher.errors import StoreConflict, StoreError
from watcher.service.cycle import Cycle, Watch
from watcher.stations import StationTable
from watcher.store.store import Store

DRIZZLE = "XNOR 12{}Z 00000KT 3000 FZDZ OVC006 M02/M06 Q1010"
DRY = "XNOR 12{}Z 00000KT 9999 SCT030 06/M02 Q1010"
EVERYONE = Listeners([Subscription("all", ("duty",))], [Recipient("duty")])


def watch(codes=frozenset({"XNOR"}), book=None) -> Watch:
    return Watch(codes, StationTable({"XNOR": XNOR}), book or small_book(), Policy())


@pytest.fixture
def store(tmp_path):
    opened = Store.open(database_at(tmp_path / "hoarline.db"))
    yield opened
    opened.close()


def hear(cycle: Cycle, clock: str, *texts: str) -> list[str]:
    changes = cycle.turn([report(text, at(clock)) for text in texts], at(clock))
    return [event.type.value.rsplit(".", 1)[1] for change in changes.stations for event in change.events]


def started(store: Store, clock: str, **kwargs) -> Cycle:
    cycle = Cycle(store, watch(**kwargs), EVERYONE)
    cycle.load(at(clock))
    return cycle


def test_a_restart_after_every_turn_changes_nothing(store, tmp_path):
    other = Store.open(database_at(tmp_path / "other.db"))
    steady = started(other, "0500")
    told = []
    for clock in ("0520", "0550", "0620", "0650", "0720"):
        text = DRIZZLE if clock < "0600" else DRY
        restarted = started(store, clock)
        told.append((hear(restarted, clock, text.format(clock)), hear(steady, clock, text.format(clock))))
        assert (
            replace(restarted.views["XNOR"], expectations=None).state.episodes_begun
            == steady.views["XNOR"].state.episodes_begun
        )
    assert all(one == two for one, two in told)
    ours = [event for _, event in store.events_after(0, 100)]
    theirs = [event for _, event in other.events_after(0, 100)]
    assert [event.id for event in ours] == [event.id for event in theirs]
    assert [event.type for event in ours] == [EventType.OPENED, EventType.CLOSED]
    assert {item.id for item in store.deliveries(10)} == {item.id for item in other.deliveries(10)}
    other.close()


def test_a_turn_that_another_process_was_faster_at_is_judged_again(store):
    one, two = started(store, "0500"), started(store, "0500")
    assert hear(one, "0521", DRIZZLE.format("0520")) == ["opened"]
    assert hear(two, "0522", DRIZZLE.format("0520")) == [], "it finds the other's work and has nothing to add"
    assert hear(two, "0551", DRY.format("0550")) == []
    assert hear(one, "0621", DRY.format("0620")) == ["closed"], "it had not seen 0550 and finds it in the store"
    assert [item.state for item in store.deliveries(10)] == ["pending", "pending"]


def test_what_cannot_be_committed_is_not_remembered_and_may_come_again(store, monkeypatch):
    cycle = started(store, "0500")
    hear(cycle, "0505", DRY.format("0500"))

    def refuse(_changes, term):
        raise StoreError("the disk is full")

    with monkeypatch.context() as patched:
        patched.setattr(store, "commit", refuse)
        with pytest.raises(StoreError):
            hear(cycle, "0521", DRIZZLE.format("0520"))
    assert hear(cycle, "0522", DRIZZLE.format("0520")) == ["opened"]


def test_a_conflict_that_does_not_end_is_an_error(store, monkeypatch):
    cycle = started(store, "0500")

    def refuse(_changes, term):
        raise StoreConflict("somebody else again")

    monkeypatch.setattr(store, "commit", refuse)
    with pytest.raises(StoreConflict):
        hear(cycle, "0521", DRIZZLE.format("0520"))


def test_unreadable_texts_are_kept_and_stop_nothing(store):
    cycle = started(store, "0500")
    assert hear(cycle, "0521", "XNOR nonsense", "&%$", DRIZZLE.format("0520")) == ["opened"]
    assert len(store.unreadable(10)) == 2


def test_a_station_taken_out_of_the_settings_is_withdrawn_at_the_next_start(store):
    hear(started(store, "0500"), "0521", DRIZZLE.format("0520"))
    cycle = Cycle(store, watch(codes=frozenset({"XBAY"})), EVERYONE)
    changes = cycle.load(at("0530"))
    assert [event.type for change in changes.stations for event in change.events] == [EventType.WITHDRAWN]
    assert {line.told_as for item in store.deliveries(10) for line in item.told} == {
        EventType.OPENED,
        EventType.WITHDRAWN,
    }
    assert Cycle(store, watch(codes=frozenset({"XBAY"})), EVERYONE).load(at("0531")).stations == ()


def test_what_ran_out_unsent_is_told_again_while_it_stands_open(store):
    cycle = started(store, "0500")
    hear(cycle, "0521", DRIZZLE.format("0520"))
    late = at("0521") + timedelta(hours=7)
    assert store.claim(late, limit=10, lease=timedelta(minutes=2), per_destination=4) == ()
    assert store.outbox_counts()["expired"] == 1
    cycle.remember_told(late)
    changes = cycle.turn((), late)
    assert [item.told_as for item in changes.deliveries if item.subject_id == "XNOR-1"] == [EventType.OPENED]
    assert cycle.turn((), late + timedelta(minutes=1)).deliveries == ()


def test_a_station_taken_out_while_it_is_blind_is_withdrawn_too(store):
    cycle = started(store, "0500")
    hear(cycle, "0521", DRY.format("0520"))
    cycle.turn((), at("0700"))
    gone = Cycle(store, watch(codes=frozenset({"XBAY"})), EVERYONE)
    gone.listen_to(EVERYONE, at("0730"))
    changes = gone.load(at("0730"))
    assert [event.type for change in changes.stations for event in change.events] == [EventType.WITHDRAWN]
    told = [line.told_as for item in store.deliveries(10) for line in item.told]
    assert set(told) == {EventType.BLIND, EventType.WITHDRAWN}
    assert Cycle(store, watch(codes=frozenset({"XBAY"}))).load(at("0731")).stations == ()


def test_all_stations_are_those_that_report(store):
    cycle = started(store, "0500", codes=None)
    hear(cycle, "0521", DRIZZLE.format("0520"), "XFEL 120520Z 00000KT 3000 FZDZ OVC006 M02/M06 Q1010")
    assert set(cycle.views) == {"XNOR", "XFEL"}
    assert set(started(store, "0530", codes=None).views) == {"XNOR", "XFEL"}


def test_a_turn_in_which_nothing_happened_writes_nothing(store, monkeypatch):
    cycle = started(store, "0500")
    hear(cycle, "0521", DRIZZLE.format("0520"))

    def refuse(_changes, term):
        raise AssertionError("nothing is to be written")

    monkeypatch.setattr(store, "commit", refuse)
    assert hear(cycle, "0523", DRIZZLE.format("0520")) == []
    assert hear(cycle, "0524") == []
