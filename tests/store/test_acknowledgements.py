"""Taking an episode in hand: the first one has it, until it rises above what they took."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.store.scenes import NOW, a_change, after, an_episode, an_event
from tests.store.test_processes import go_on, heard_from, worker
from watcher.alerts.changes import Changes
from watcher.alerts.model import Acknowledgement, Episode, EventType, Phase, Taken
from watcher.rulebook.words import Level
from watcher.store.model import Acknowledged
from watcher.store.store import Store


def put(store: Store, version: int, *episodes: Episode, acknowledged: int | None = None) -> None:
    """Commit a turn that leaves these episodes; `acknowledged`: the last acknowledgement that it has seen."""
    store.commit(Changes(after(version), (a_change(version=version, episodes=episodes),), acknowledged=acknowledged))


def take(store: Store, by: str, minute: float = 1, note: str = "") -> Acknowledged:
    taken = store.acknowledge("XNOR-1", by=by, note=note, now=after(minute))
    assert taken is not None
    return taken


def seen(episode: Episode, taken: Acknowledged, seq: int) -> Episode:
    """Return the episode as a turn leaves it that has seen who took it."""
    who = taken.acknowledgement
    return replace(episode, taken=Taken(who.by, who.note, who.at, episode.level, seq), seq=seq)


def test_the_first_has_it_and_the_next_is_told_who(store: Store) -> None:
    put(store, 0, an_episode())
    first = take(store, "duty desk", 1, "truck 4 ordered")
    assert first == Acknowledged(Acknowledgement(1, "XNOR-1", "duty desk", "truck 4 ordered", after(1)), fresh=True)
    assert take(store, "ramp", 2) == Acknowledged(first.acknowledgement, fresh=False)
    assert store.unnoticed_acknowledgements() == (first.acknowledgement,)


def test_an_acknowledgement_stands_before_and_after_the_cycle_has_seen_it(store: Store) -> None:
    episode = an_episode()
    put(store, 0, episode)
    first = take(store, "duty desk", 1, "truck 4 ordered")
    assert take(store, "ramp", 2).acknowledgement.by == "duty desk"
    put(store, 1, seen(episode, first, 2), acknowledged=1)
    assert store.unnoticed_acknowledgements() == ()
    again = take(store, "ramp", 3)
    assert not again.fresh
    who = again.acknowledgement
    assert (who.by, who.note, who.at) == ("duty desk", "truck 4 ordered", after(1))


def test_what_rose_above_the_level_at_which_it_was_taken_can_be_taken_again(store: Store) -> None:
    treat = an_episode(level=Level.TREAT)
    put(store, 0, treat)
    first = take(store, "duty desk")
    taken = seen(treat, first, 2)
    put(store, 1, taken, acknowledged=1)
    put(store, 2, replace(taken, level=Level.NO_TIME, seq=3))
    second = take(store, "ramp", 5)
    assert (second.acknowledgement.by, second.fresh) == ("ramp", True)
    assert second.acknowledgement.number > first.acknowledgement.number
    assert not take(store, "duty desk", 6).fresh
    put(store, 3, seen(replace(taken, level=Level.NO_TIME), second, 4), acknowledged=second.acknowledgement.number)
    assert take(store, "duty desk", 7).acknowledgement.by == "ramp"


def test_what_was_lowered_is_still_in_the_same_hands(store: Store) -> None:
    treat = an_episode(level=Level.TREAT)
    put(store, 0, treat)
    taken = seen(treat, take(store, "duty desk"), 2)
    put(store, 1, replace(taken, level=Level.PREPARE, seq=3), acknowledged=1)
    assert not take(store, "ramp", 2).fresh
    put(store, 2, replace(taken, level=Level.TREAT, seq=4))
    assert not take(store, "ramp", 3).fresh


@pytest.mark.parametrize(
    "episode",
    [
        an_episode(phase=Phase.ENDED, ended_at=after(0.5)),
        an_episode(phase=Phase.FORMING, opened_at=None, seq=0),
        an_episode(2),
    ],
    ids=["over", "not open yet", "another one"],
)
def test_only_an_open_episode_can_be_taken(store: Store, episode: Episode) -> None:
    put(store, 0, episode)
    assert store.acknowledge("XNOR-1", by="ramp", note="", now=after(1)) is None
    assert store.unnoticed_acknowledgements() == ()


def test_what_came_in_while_a_turn_was_made_waits_for_the_next(store: Store) -> None:
    """The turn names the last that it has seen; a later one must not be lost with it."""
    put(store, 0, an_episode(1), an_episode(2))
    first = store.acknowledge("XNOR-1", by="desk", note="", now=after(1))
    second = store.acknowledge("XNOR-2", by="ramp", note="", now=after(2))
    assert first is not None
    assert second is not None
    put(store, 1, acknowledged=first.acknowledgement.number)
    assert store.unnoticed_acknowledgements() == (second.acknowledgement,)


def test_a_turn_that_is_not_committed_has_seen_nothing(store: Store) -> None:
    put(store, 0, an_episode())
    first = take(store, "desk")
    with pytest.raises(Exception, match="changed by another process"):
        put(store, 5, acknowledged=first.acknowledgement.number)
    assert store.unnoticed_acknowledgements() == (first.acknowledgement,)


def test_any_words_may_be_said(store: Store) -> None:
    put(store, 0, an_episode())
    taken = take(store, "Zoë & 'co' \ud800", 1, "line\nand\0more 🧊")
    (found,) = store.unnoticed_acknowledgements()
    assert (found.by, found.note) == ("Zoë & 'co' \ufffd", "line\nand\ufffdmore 🧊")
    assert taken.acknowledgement == found


def test_of_two_processes_at_once_one_takes_each_episode(store: Store, url: str) -> None:
    put(store, 0, *(an_episode(number) for number in range(1, 11)))
    with worker("take", url, "desk") as desk, worker("take", url, "ramp") as ramp:
        for process in (desk, ramp):
            assert heard_from(process) == "ready"
        for process in (desk, ramp):
            go_on(process)
        outputs = [process.communicate(timeout=60)[0].split("\n")[:10] for process in (desk, ramp)]
    for by_desk, by_ramp in zip(*outputs, strict=True):
        (has, desk_first), (also_has, ramp_first) = by_desk.split(), by_ramp.split()
        assert has == also_has
        assert (desk_first, ramp_first) == (("True", "False") if has == "desk" else ("False", "True"))
    assert len(store.unnoticed_acknowledgements()) == 10


def test_the_newest_event_of_a_subject_is_found_by_its_name(store: Store) -> None:
    events = (an_event("XNOR-1"), an_event("XNOR-1", 2, EventType.RAISED), an_event("XNOR-10", 3), an_event("XNOR", 9))
    store.commit(Changes(NOW, (a_change(events=events),)))
    assert store.newest_event("XNOR-1") == events[1]
    assert store.newest_event("XNOR") == events[3]
    assert store.newest_event("XNOR-2") is None
