"""What feeds and calendars show: what stands, what ended within a day, and the events of one matter in their order."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from tests.store.scenes import HOUR, MINUTE, NOW, a_change, after, an_episode, an_event
from watcher.alerts.changes import Changes
from watcher.alerts.model import Episode, Event, EventType, Phase, StationState
from watcher.store.store import Store


def keep(store: Store, episode: Episode, *events: Event, version: int = 0, **made: object) -> None:
    store.commit(Changes(NOW, (a_change(episode.station, version, episodes=(episode,), events=events, **made),)))


def names(store: Store, since: datetime = NOW - 24 * HOUR, station: str | None = None) -> list[tuple[str, str]]:
    return [(episode.id, event.id) for episode, event in store.lately(since, station).alerts]


def test_the_events_of_a_matter_come_in_their_order_and_without_those_of_others(store: Store) -> None:
    told = [an_event("XNOR-1", seq, EventType.RAISED, after(seq)) for seq in range(1, 12)]
    keep(store, an_episode(seq=11), *told)
    keep(store, an_episode(11, seq=1), an_event("XNOR-11"), version=1)
    assert store.events_of("XNOR-1") == tuple(told)
    assert store.events_of("XNOR") == ()
    assert store.events_of("' OR '1") == ()


def test_what_stands_comes_with_its_last_event(store: Store) -> None:
    keep(store, an_episode(seq=2), an_event("XNOR-1", 1), an_event("XNOR-1", 2, EventType.RAISED))
    keep(store, an_episode(1, "XBAY"), an_event("XBAY-1"))
    assert names(store) == [("XBAY-1", "XBAY-1.1"), ("XNOR-1", "XNOR-1.2")]
    assert names(store, station="XNOR") == [("XNOR-1", "XNOR-1.2")]
    assert names(store, station="XFEL") == []


def test_what_ended_long_ago_and_what_nobody_was_told_of_is_left_out(store: Store) -> None:
    over = an_episode(phase=Phase.ENDED, ended_at=NOW - 24 * HOUR)
    keep(store, over, an_event("XNOR-1"))
    keep(store, replace(over, number=2, ended_at=NOW - 24 * HOUR - MINUTE), an_event("XNOR-2"), version=1)
    keep(store, an_episode(3, phase=Phase.FORMING, opened_at=None, seq=0), version=2)
    assert names(store) == [("XNOR-1", "XNOR-1.1")]


def test_blind_stations_and_those_that_see_again_since(store: Store) -> None:
    for station, seq, blind_since, at in (
        ("XBAY", 3, NOW - 50 * HOUR, NOW - 49 * HOUR),
        ("XFEL", 2, None, NOW - HOUR),
        ("XMOR", 2, None, NOW - 25 * HOUR),
        ("XTAR", 0, None, NOW),
    ):
        type_ = EventType.BLIND if blind_since is not None else EventType.SEEING
        events = tuple(an_event(station, one, type_, at) for one in range(1, seq + 1))
        state = StationState(station, blind_since=blind_since, seq=seq)
        store.commit(Changes(NOW, (a_change(station, state=state, events=events),)))
    assert [event.id for event in store.lately(NOW - 24 * HOUR).sights] == ["XBAY.3", "XFEL.2"]
    assert [event.id for event in store.lately(NOW - 24 * HOUR, "XFEL").sights] == ["XFEL.2"]
