"""Treated aircraft in the running cycle: committed with the turn, told once, the same after any restart."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from tests.alerts.scenes import small_book
from tests.chosen import database_at
from tests.treatment.aircraft import XNOR, at, report, shipped, treated
from watcher.alerts.changes import Changes
from watcher.alerts.listeners import Listeners
from watcher.alerts.model import EventType, Policy
from watcher.alerts.subscribers import Recipient, Subscription
from watcher.reports.identity import text_hash
from watcher.reports.model import Observation, Report
from watcher.service.cycle import Cycle, Watch
from watcher.service.protections import Protections
from watcher.stations import StationTable
from watcher.store.store import Store
from watcher.treatment.protection import Ending, Standing, with_entry
from watcher.treatment.protection_weather import Entered

EVERYONE = Listeners([Subscription("all", ("duty",))], [Recipient("duty")])
NIGHT = [(8, "-SN", "6000"), (18, "SN", "2500"), (28, "-SN", "9999"), (38, "FZRA", "4000"), (48, "-SN", "4000")]


def a_store(folder: Path, name: str) -> Store:
    return Store.open(database_at(folder / f"{name}.db"))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = a_store(tmp_path, "hoarline")
    yield opened
    opened.close()


def started(store: Store, minutes: float) -> Cycle:
    watch = Watch(frozenset({"XNOR"}), StationTable({"XNOR": XNOR}), small_book(), Policy(), shipped())
    cycle = Cycle(store, watch, EVERYONE)
    cycle.load(at(minutes))
    return cycle


def hear(cycle: Cycle, minutes: float, *news: Observation) -> Changes:
    reports = [Report(each, text_hash(each.raw), "world", at(minutes)) for each in news]
    return cycle.turn(reports, at(minutes))


def of_protections(store: Store) -> list[str]:
    return [event.id for _, event in store.events_after(0, 99) if event.type.startswith("icing.protection")]


def test_a_restart_after_every_turn_changes_nothing(store: Store, tmp_path: Path) -> None:
    other = a_store(tmp_path, "other")
    for each in (store, other):
        each.add_protection(treated(report(-22, "", visibility="9999")))
    steady = started(other, 0)
    for minutes, weather, visibility in NIGHT:
        news = report(minutes, weather, visibility=visibility)
        hear(started(store, minutes), minutes + 1, news)
        hear(steady, minutes + 1, news)
    ours, theirs = ([event for _, event in each.events_after(0, 99)] for each in (store, other))
    assert [event for event in ours if "-P" in event.id] == [event for event in theirs if "-P" in event.id] != []
    assert store.protections(live_only=True) == other.protections(live_only=True)
    assert {item.id for item in store.deliveries(99)} == {item.id for item in other.deliveries(99)}
    other.close()


def test_events_and_messages_are_committed_with_the_turn_and_never_again(store: Store) -> None:
    store.add_protection(treated())
    cycle = started(store, 0)
    changes = hear(cycle, 9, report(8, "FZRA"))
    assert [event.type for event in changes.protection_events] == [EventType.LOST]
    assert of_protections(store) == ["XNOR-P1.1"]
    (message,) = [each for each in store.deliveries(9) if each.told[0].event_id == "XNOR-P1.1"]
    assert (message.destination, message.made_at, message.due_at) == ("duty", at(9), at(9))
    assert hear(cycle, 10, report(8, "FZRA")).protection_events == ()
    assert hear(started(store, 11), 12).protection_events == ()


def test_what_a_command_writes_meanwhile_is_taken_up_in_the_next_turn(store: Store) -> None:
    added = store.add_protection(treated())
    cycle = started(store, 0)
    hear(cycle, 1)
    found = store.protection(added.id)
    assert found is not None
    store.change_protection(with_entry(found, Entered(at(2), weather=("FZRA",))))
    (event,) = hear(cycle, 3).protection_events
    assert "By the crew" in event.body.why
    found = store.protection(added.id)
    assert found is not None
    assert found.seq == 1


def test_a_command_that_is_faster_than_the_turn_makes_it_judge_again(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    added = store.add_protection(treated())
    cycle = started(store, 0)
    commit = store.commit
    tries: list[int] = []

    def slow(changes: Changes, term: int | None) -> None:
        if not tries:
            found = store.protection(added.id)
            assert found is not None
            store.change_protection(replace(found, treatment_ended_at=at(6)))
        tries.append(1)
        commit(changes, term)

    monkeypatch.setattr(store, "commit", slow)
    changes = hear(cycle, 9, report(8, "FZRA"))
    assert len(tries) == 2
    assert [event.id for event in changes.protection_events] == ["XNOR-P1.1"]
    found = store.protection(added.id)
    assert found is not None
    assert found.treatment_ended_at == at(6)
    assert found.announced is not None
    assert found.announced.standing is Standing.NONE


def test_a_station_that_goes_blind_stops_the_minutes_and_one_that_sees_starts_them(store: Store) -> None:
    store.add_protection(treated(report(-22, "", visibility="9999")))
    cycle = started(store, 0)
    hear(cycle, 1, report(-22, "", visibility="9999"))
    hear(cycle, 80)
    (protection,) = store.protections(live_only=True)
    assert protection.blind
    hear(cycle, 90, report(88, "", visibility="9999"))
    (protection,) = store.protections(live_only=True)
    assert not protection.blind


def test_a_station_that_reports_every_three_hours_tells_nothing_of_now_for_so_long(store: Store) -> None:
    """An old report counts for 90 minutes, as with a look-up by hand, though its station is not called blind."""
    store.add_protection(treated(report(-22, "", visibility="9999")))
    cycle = started(store, -600)
    for minutes in (-562, -382, -202, -22):
        hear(cycle, minutes, report(minutes, "", visibility="9999"))
    asked = Protections(store, lambda code: XNOR, shipped(), Policy())
    for minutes, standing in ((68, Standing.NO_LIMIT), (69, Standing.BLIND)):
        hear(cycle, minutes)
        (protection,) = store.protections(live_only=True)
        view = store.load([XNOR], now=at(minutes))["XNOR"]
        assert view.state.blind_since is None
        assert protection.blind is (standing is Standing.BLIND)
        assert asked.read("XNOR-P1", at(minutes)).clocks.standing is standing
    hear(cycle, 80, report(79, "", visibility="9999"))
    (protection,) = store.protections(live_only=True)
    assert (protection.blind, protection.was_blind) == (False, True)


def test_after_twelve_hours_it_is_over_without_a_word(store: Store) -> None:
    store.add_protection(treated(report(-22, "", visibility="9999")))
    cycle = started(store, 0)
    hear(cycle, 720)
    assert store.protections(live_only=True) == ()
    (protection,) = store.protections(live_only=False)
    assert (protection.ending, protection.ended_at) == (Ending.EXPIRED, at(720))
    assert of_protections(store) == []
