"""The alerts that are over: the last to end first, by page, station, flag and level."""

from __future__ import annotations

from dataclasses import replace

from tests.store.scenes import NOW, a_change, after, an_episode, an_event
from watcher.alerts.changes import Changes
from watcher.alerts.model import Phase
from watcher.rulebook.words import Flag, Level
from watcher.store.store import Store


def names(found: tuple) -> list[str]:
    for episode, event in found:
        assert (event.subject_id, event.seq) == (episode.id, episode.seq)
    return [episode.id for episode, _ in found]


def test_the_last_to_end_comes_first_and_pages_leave_nothing_out(store: Store) -> None:
    for number, minute in enumerate((10, 30, 20, 30, 5), start=1):
        episode = an_episode(number, phase=Phase.ENDED, ended_at=after(minute))
        change = a_change(version=number - 1, episodes=(episode,), events=(an_event(f"XNOR-{number}"),))
        store.commit(Changes(NOW, (change,)))
    everything = names(store.ended(10))
    assert everything == ["XNOR-4", "XNOR-2", "XNOR-3", "XNOR-1", "XNOR-5"]
    assert names(store.ended(2)) == everything[:2]
    assert names(store.ended(2, before="XNOR-4")) == everything[1:3], "two ended at one time"
    assert names(store.ended(9, before="XNOR-3")) == everything[3:]
    assert store.ended(9, before="XNOR-99") == ()


def test_only_what_was_asked_for(store: Store) -> None:
    over = {"phase": Phase.ENDED, "ended_at": after(5)}
    fog = replace(an_episode(2, level=Level.PREPARE, **over), flag=Flag.FREEZING_FOG)
    never_told = an_episode(3, opened_at=None, **over)
    episodes = (an_episode(1, **over), fog, never_told, an_episode(4))
    events = tuple(an_event(item.id) for item in episodes)
    store.commit(Changes(NOW, (a_change(episodes=episodes, events=events),)))
    assert names(store.ended(9)) == ["XNOR-2", "XNOR-1"]
    assert names(store.ended(9, flag=Flag.FREEZING_FOG)) == ["XNOR-2"]
    assert names(store.ended(9, min_level=Level.TREAT)) == ["XNOR-1"]
    assert store.ended(9, station="XBAY") == ()
