"""Presses on the page of a treated aircraft: each counts once, in the order in which it is heard, from its own time."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.treatment.aircraft import at, report, shipped, treated
from watcher.service.treatment_files import load_procedure
from watcher.treatment.clocks import clocks
from watcher.treatment.kinds import Place
from watcher.treatment.press import Press, PressKind
from watcher.treatment.pressing import MOST, checklist, last_undoable, pressed
from watcher.treatment.procedures import Clock
from watcher.treatment.protection import Ending, Protection, Standing
from watcher.treatment.protection_steps import checklist_step
from watcher.treatment.protection_weather import Entered

PAD = load_procedure(Place.PAD)
ENDING_STEP = next(item.id for item in PAD.items if Clock.TREATMENT_END in item.starts)


def press(name: str, kind: PressKind, minutes: float, **fields: object) -> Press:
    return Press(name, kind, at(minutes), **fields)  # type: ignore[arg-type]


def after(protection: Protection, *presses: Press, now: float = 30) -> Protection:
    for each in presses:
        protection = pressed(protection, each, PAD, at(now))
    return protection


def aircraft(**fields: object) -> Protection:
    return treated(place=Place.PAD, engine_wait_min=1, apu_wait_min=5, waits_source="memory", **fields)


def test_the_end_of_the_treatment_starts_the_waits_for_bleed_air():
    """Common practice, no source: engine bleeds a minute, APU bleed five minutes after the end of the treatment."""
    found = after(aircraft(), press("a", PressKind.TREATED, 6))
    reading = clocks(found, shipped(), at(7))
    assert (reading.engine_bleed_wait_ends, reading.apu_bleed_wait_ends) == (at(7), at(11))


def test_the_step_at_which_the_treatment_ends_is_its_end():
    found = after(aircraft(), press("a", PressKind.STEP, 6, step=ENDING_STEP))
    assert found.treatment_ended_at == at(6)
    assert after(found, press("b", PressKind.UNDO, 7, of="a")).treatment_ended_at is None


def test_where_two_end_the_treatment_the_later_counts_whoever_is_heard_first():
    early, late = press("a", PressKind.TREATED, 6), press("b", PressKind.TREATED, 8)
    assert (
        after(aircraft(), early, late).treatment_ended_at == after(aircraft(), late, early).treatment_ended_at == at(8)
    )
    found = after(aircraft(), early, late, press("c", PressKind.UNDO, 9, of="b"))
    assert found.treatment_ended_at == at(6)


def test_a_press_that_is_sent_twice_counts_once_also_after_the_end():
    once = after(aircraft(), press("a", PressKind.TOOK_OFF, 20))
    assert (once.ending, once.ended_at) == (Ending.TOOK_OFF, at(20))
    assert after(once, press("a", PressKind.TOOK_OFF, 20)) is once
    with pytest.raises(ValueError, match="had ended before"):
        after(once, press("b", PressKind.RETURNED, 21))


def test_a_press_counts_from_its_own_time_unless_that_cannot_be():
    assert after(aircraft(), press("a", PressKind.TREATED, 6), now=25).treatment_ended_at == at(6)
    with pytest.raises(ValueError, match="a time to come"):
        after(aircraft(), press("a", PressKind.TREATED, 31), now=30)
    with pytest.raises(ValueError, match="before the final application"):
        after(aircraft(), press("a", PressKind.TREATED, -1))
    almost = after(aircraft(), replace(press("a", PressKind.TREATED, 6), at=at(6) + timedelta(seconds=4)), now=6)
    assert almost.treatment_ended_at == at(6)


def test_the_checklist_goes_on_where_it_was_pressed():
    found = after(aircraft(), press("a", PressKind.TREATED, 6))
    first = checklist_step(PAD, found, Standing.RUNNING)
    assert first is not None
    found = after(found, press("b", PressKind.STEP, 7, step=first.id))
    rows = checklist(PAD, found, Standing.RUNNING)
    done = next(row for row in rows if row.item == first)
    (current,) = [row for row in rows if row.current]
    assert (done.done, done.at) == (True, at(7))
    assert rows.index(current) == rows.index(done) + 1
    assert last_undoable(found) == found.presses[-1]
    found = after(found, press("c", PressKind.UNDO, 8, of="b"))
    assert checklist_step(PAD, found, Standing.RUNNING) == first
    assert last_undoable(found) == found.presses[0]


def test_only_the_last_can_be_undone_so_that_nobody_undoes_what_they_have_not_seen():
    found = after(aircraft(), press("a", PressKind.TREATED, 6), press("b", PressKind.STEP, 7, step=PAD.items[-3].id))
    with pytest.raises(ValueError, match="look again"):
        after(found, press("c", PressKind.UNDO, 8, of="a"))
    with pytest.raises(ValueError, match="look again"):
        after(aircraft(), press("c", PressKind.UNDO, 8, of="a"))


def test_while_the_holdover_time_is_over_the_step_for_that_stands_first_until_it_was_pressed():
    found = after(aircraft(), press("a", PressKind.TREATED, 6))
    over = checklist_step(PAD, found, Standing.OVER)
    assert over is not None
    assert over.id == "holdover-over"
    assert [row.item.id for row in checklist(PAD, found, Standing.OVER) if row.current] == ["holdover-over"]
    found = after(found, press("b", PressKind.STEP, 7, step="holdover-over"))
    assert checklist_step(PAD, found, Standing.OVER) == checklist_step(PAD, found, Standing.RUNNING)


def test_what_the_crew_sees_only_ever_shortens():
    found = aircraft()
    before = clocks(found, shipped(), at(5))
    worse = after(found, press("a", PressKind.SEEN, 5, entered=Entered(at(99), ("FZRA",))))
    assert worse.seen[-1].first_at == at(5)
    assert clocks(worse, shipped(), at(5)).standing is Standing.NONE
    better = after(found, press("a", PressKind.SEEN, 5, entered=Entered(at(5), ("-SN",), 9999.0)))
    assert clocks(better, shipped(), at(5)).lower_ends_at == before.lower_ends_at
    with pytest.raises(ValueError, match="what is seen"):
        after(found, press("a", PressKind.SEEN, 5))


def test_an_expected_take_off_is_kept_where_it_can_be():
    found = after(aircraft(), press("a", PressKind.EXPECTS, 5, take_off_at=at(40)))
    assert found.take_off_at == at(40)
    assert after(found, press("b", PressKind.EXPECTS, 6)).take_off_at is None
    for minutes in (-1, 30 + 361):
        with pytest.raises(ValueError, match="take-off"):
            after(found, press("c", PressKind.EXPECTS, 6, take_off_at=at(minutes)))


def test_a_step_that_the_checklist_does_not_have_is_refused():
    with pytest.raises(ValueError, match="no such step"):
        after(aircraft(), press("a", PressKind.STEP, 6, step="nothing"))
    with pytest.raises(ValueError, match="no such step"):
        pressed(aircraft(), press("a", PressKind.STEP, 6, step=ENDING_STEP), None, at(7))


def test_nobody_fills_the_store_by_pressing():
    found = replace(aircraft(), presses=tuple(press(f"p{n}", PressKind.STEP, 1, step="x") for n in range(MOST)))
    with pytest.raises(ValueError, match="not kept"):
        after(found, press("a", PressKind.TREATED, 6))


_PRESSES = st.lists(
    st.builds(
        lambda number, kind, minutes: press(f"n{number}", kind, minutes, step=ENDING_STEP, of=f"n{number - 1}"),
        st.integers(0, 6),
        st.sampled_from([PressKind.STEP, PressKind.TREATED, PressKind.UNDO, PressKind.TOOK_OFF]),
        st.integers(1, 30),
    ),
    max_size=12,
)


@given(_PRESSES)
def test_whatever_is_sent_again_changes_nothing(presses: list[Press]):
    """A phone that heard no answer sends all it has kept once more; the aircraft stands as after the first time."""
    found, taken = aircraft(treatment_ended_at=None), []
    for each in presses:
        try:
            found = after(found, each)
        except ValueError:
            continue
        taken.append(each)
    assert after(found, *taken) == found
    if found.treatment_ended_at is not None:
        assert found.treatment_ended_at <= at(30)
    assert report(-22).station == found.station
