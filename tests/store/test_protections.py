"""Treated aircraft in the store: named once, fenced by their version, written with the turn that moved them."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from tests.store.scenes import NOW, a_change, heard
from tests.treatment.aircraft import START, at, report, treated
from watcher.alerts.changes import Changes
from watcher.alerts.model import Event, EventBody, EventType, SubjectKind
from watcher.errors import StoreConflict
from watcher.store.store import Store
from watcher.treatment.kinds import Place
from watcher.treatment.protection import Ending, ended

DAY = timedelta(days=1)


def an_event(subject: str, seq: int = 1) -> Event:
    body = EventBody("XNOR", None, None, "XNOR HL-101: protection lost", "why", "next")
    return Event(SubjectKind.PROTECTION, subject, seq, EventType.LOST, NOW, body)


def test_what_is_read_is_what_was_written(store: Store) -> None:
    made = treated(
        report(-22, "-SN BR"),
        place=Place.PAD,
        flaps_set=True,
        treatment_ended_at=at(6),
        engine_wait_min=1.0,
        waits_source="common practice, no source",
        authority="FAA",
    )
    added = store.add_protection(made)
    assert (added.id, added.version) == ("XNOR-P1", 1)
    assert store.protection("XNOR-P1") == added
    assert replace(added, id=made.id, version=made.version) == made
    assert added.announced is not None


def test_names_count_on_and_are_never_given_twice(store: Store) -> None:
    names = [store.add_protection(treated()).id for _ in range(2)]
    assert names == ["XNOR-P1", "XNOR-P2"]
    for name in names:
        found = store.protection(name)
        assert found is not None
        store.change_protection(ended(found, Ending.TOOK_OFF, NOW))
    assert store.thin(NOW + DAY).protections == 2
    assert store.add_protection(treated()).id == "XNOR-P3"


@pytest.mark.parametrize("name", ["XNOR-P2", "XBAY-P1", "XNOR-1", "XNOR-P", "", "XNOR-P01", "XNOR-P" + 40 * "1"])
def test_a_name_that_is_nobodys_finds_nothing(store: Store, name: str) -> None:
    store.add_protection(treated())
    assert store.protection(name) is None


def test_whoever_is_late_must_read_again(store: Store) -> None:
    added = store.add_protection(treated())
    store.change_protection(replace(added, treatment_ended_at=at(6)))
    with pytest.raises(StoreConflict, match="XNOR-P1"):
        store.change_protection(replace(added, treatment_ended_at=at(9)))
    found = store.protection("XNOR-P1")
    assert found is not None
    assert (found.treatment_ended_at, found.version) == (at(6), 2)


def test_a_turn_writes_stations_protections_and_their_events_together_or_not_at_all(store: Store) -> None:
    added = store.add_protection(treated())
    moved = replace(added, blind=True, seq=1)
    turn = Changes(NOW, (a_change(),), protections=(moved,), protection_events=(an_event(added.id),))
    assert turn.worth_committing
    assert Changes(NOW, protections=(moved,)).worth_committing
    store.commit(turn)
    assert store.protection(added.id) == replace(moved, version=2)
    assert store.newest_event(added.id) == an_event(added.id)
    late = Changes(NOW, (a_change(version=1),), protections=(moved,), protection_events=(an_event(added.id, 2),))
    with pytest.raises(StoreConflict):
        store.commit(late)
    assert store.newest_event(added.id) == an_event(added.id), "nothing of it"
    store.commit(Changes(NOW, (a_change(version=1),)))


def test_only_live_ones_are_read_where_only_those_count(store: Store) -> None:
    first, second = store.add_protection(treated()), store.add_protection(treated())
    store.change_protection(ended(first, Ending.RETURNED, NOW))
    assert [each.id for each in store.protections(live_only=True)] == [second.id]
    assert [each.id for each in store.protections(live_only=False)] == [first.id, second.id]
    assert store.thin(NOW + DAY).protections == 1
    assert store.protections(live_only=False) == (second,), "what is live stays, however old"


def test_a_protection_reads_the_reports_that_it_stood_in(store: Store) -> None:
    texts = (
        "METAR XNOR 120450Z 00000KT 4000 -SN OVC012 M02/M03 Q1012",
        "METAR XNOR 120520Z 00000KT 4000 SN OVC012 M02/M03 Q1012",
        "TAF XNOR 120500Z 1206/1306 VRB03KT 9999 OVC010",
        "METAR XNOR 120420Z 00000KT 4000 FZRA OVC012 M02/M03 Q1012",
    )
    reports = tuple(heard(text) for text in texts)
    store.commit(Changes(NOW, (a_change(reports=reports),)))
    found = store.observations_since("XNOR", START - timedelta(minutes=22))
    assert [each.observed_at for each in found] == [at(-22), at(8)]
    assert store.observations_since("XBAY", START - DAY) == ()
