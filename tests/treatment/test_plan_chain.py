from __future__ import annotations

from datetime import timedelta
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.treatment.departing import OFF_BLOCK, after, departure, option, planned, profile, shipped
from watcher.treatment.kinds import Place
from watcher.treatment.profiles import Duration
from watcher.treatment.spread import scores_of, values_of
from watcher.units import clock_z


@given(st.lists(st.floats(0, 60), min_size=3, max_size=3).map(sorted))
def test_a_duration_meets_all_three_of_its_quantiles(quantiles):
    values = values_of(Duration(*quantiles), scores_of("a", 1, 999)[0])
    assert np.quantile(values, [0.1, 0.5, 0.9]) == pytest.approx(quantiles, rel=0.003, abs=0.3)
    assert (values >= 0).all()


def test_a_chain_of_symmetric_durations_is_the_sum_of_normal_distributions():
    durations = [Duration(8, 10, 12), Duration(17, 20, 23), Duration(4, 5, 6), Duration(25, 30, 35)]
    scores = scores_of("a chain", len(durations), 4000)
    total = sum(values_of(each, row) for each, row in zip(durations, scores, strict=True))
    z90 = NormalDist().inv_cdf(0.9)
    closed = sum((NormalDist(each.p50, (each.p90 - each.p50) / z90) for each in durations), NormalDist(0, 1e-9))
    expected = [closed.inv_cdf(p) for p in (0.1, 0.5, 0.9)]
    assert np.quantile(total, [0.1, 0.5, 0.9]) == pytest.approx(expected, abs=0.25)
    assert total.std() == pytest.approx(closed.stdev, rel=0.03)


def test_the_same_departure_gets_the_same_numbers_and_another_one_others():
    assert (scores_of("XNOR HL1", 3, 40) == scores_of("XNOR HL1", 3, 40)).all()
    assert (scores_of("XNOR HL1", 3, 40) != scores_of("XNOR HL2", 3, 40)).any()


def _steps(made, place):
    return {stage.name: (clock_z(stage.begins.p50), clock_z(stage.ends.p50)) for stage in option(made, place).stages}


# Hand-computed from departing.operations_text: push-back 4, start 4, notice 10, get ready 4, first step 5, final step 3,
# leave 3, taxi 10, queue 3; at the pad taxi in 8, out 2 and half the spraying time.
def test_the_steps_at_the_stand_are_those_computed_by_hand():
    made = planned(fluid="Type IV 100/0")
    assert _steps(made, "stand") == {
        "get ready": ("0525Z", "0529Z"),
        "de-icing": ("0529Z", "0534Z"),
        "final application": ("0534Z", "0537Z"),
        "leave": ("0537Z", "0540Z"),
        "push-back": ("0540Z", "0544Z"),
        "start": ("0544Z", "0548Z"),
        "taxi": ("0548Z", "0558Z"),
        "queue": ("0558Z", "0601Z"),
    }
    times = option(made, "stand").times
    assert [clock_z(times[name].p50) for name in ("ERZT", "ECZT", "EEZT", "TTOT")] == [
        "0525Z",
        "0529Z",
        "0537Z",
        "0601Z",
    ]
    assert clock_z(option(made, "stand").call_by) == "0515Z"


def test_the_steps_after_push_back_are_those_computed_by_hand():
    made = planned(fluid="Type IV 100/0")
    assert _steps(made, "after-push") == {
        "push-back": ("0540Z", "0544Z"),
        "get ready": ("0544Z", "0548Z"),
        "de-icing": ("0548Z", "0553Z"),
        "final application": ("0553Z", "0556Z"),
        "leave": ("0556Z", "0559Z"),
        "start": ("0559Z", "0603Z"),
        "taxi": ("0603Z", "0613Z"),
        "queue": ("0613Z", "0616Z"),
    }


def test_the_steps_at_the_pad_are_those_computed_by_hand_and_burn_fuel_while_engines_wait():
    made = planned(fluid="Type IV 100/0")
    assert option(made, "pad").take_off.p50 == after(4 + 4 + 8 + 4 + 2.5 + 1.5 + 3 + 2 + 3)
    waiting = 4 + 2.5 + 1.5 + 3 + 3
    assert option(made, "pad").fuel_kg == pytest.approx(waiting * 12, abs=0.1)
    assert option(made, "stand").fuel_kg == pytest.approx(3 * 12, abs=0.1), "only the queue, engines running"


def test_a_single_step_starts_the_holdover_clock_with_the_first_fluid():
    one, two = planned(fluid="Type I 60/40"), planned(fluid="Type IV 100/0")
    assert option(one, "stand").clocks.starts_at == option(one, "stand").times["ECZT"].p50
    assert clock_z(option(two, "stand").clocks.starts_at) == "0534Z"


def test_no_take_off_is_planned_before_the_slot_opens():
    early, late = after(60), after(20)
    assert option(planned(ctot=early), "stand").take_off.p10 == after(55)
    assert option(planned(ctot=early), "stand").p_slot == 1.0
    assert option(planned(ctot=late), "after-push").p_slot == 0.0
    # By hand: 0601Z without a slot, which opens at 0635Z.
    made = planned(ctot=early, fluid="Type IV 100/0")
    assert option(made, "stand").early_min == 34
    assert any("34 min before the slot opens" in note for note in made.notes)


def test_start_up_approval_later_than_off_block_moves_the_chain():
    assert option(planned(tsat=after(15)), "stand").take_off.p50 == after(15 + 21)


def test_a_call_that_should_have_been_made_is_made_now():
    made = planned(tobt=OFF_BLOCK.replace(hour=3, minute=40))
    stand = option(made, "stand")
    assert stand.call_late
    assert clock_z(stand.call_by) == "0325Z"
    assert stand.take_off.p50 > OFF_BLOCK.replace(hour=3, minute=40) + (after(21) - OFF_BLOCK)


def test_a_departure_that_is_known_and_stands_in_the_way_makes_one_wait():
    jet = profile()
    others = [(departure(name=f"HL{number}", place=Place.PAD), jet) for number in range(200, 204)]
    alone, queued = planned(fluid="Type IV 100/0"), planned(fluid="Type IV 100/0", others=others)
    assert option(queued, "pad").take_off.p50 == option(alone, "pad").take_off.p50, "first in line by its name"
    last = planned(fluid="Type IV 100/0", others=others, name="HL900")
    assert option(last, "pad").take_off.p50 > option(alone, "pad").take_off.p50
    assert option(last, "stand").take_off.p50 == option(alone, "stand").take_off.p50


def test_a_site_that_is_closed_too_small_or_leads_elsewhere_says_so():
    made = planned(at=shipped(), aircraft=profile("large-jet"))
    assert option(made, "after-push").not_offered == "takes no large aircraft"
    night = planned(at=shipped(), tobt=OFF_BLOCK.replace(hour=22))
    assert "22:00" in option(night, "pad").not_offered
    north = planned(at=shipped(), runway="01")
    assert option(north, "pad").not_offered == "has no way to runway 01"


def test_waits_before_bleed_air_count_from_the_end_of_the_treatment_and_only_where_the_profile_has_them():
    stand = option(planned(fluid="Type IV 100/0"), "stand")
    assert clock_z(stand.clocks.engine_bleed_wait_ends) == "0538Z"
    assert clock_z(stand.clocks.apu_bleed_wait_ends) == "0542Z"
    bare = profile(engine_bleed_wait_min=None, apu_bleed_wait_min=None, waits_source=None)
    clocks = option(planned(aircraft=bare), "stand").clocks
    assert clocks.engine_bleed_wait_ends is None
    assert clocks.apu_bleed_wait_ends is None


@pytest.mark.parametrize(("minutes", "over"), [(1.0, "0538Z"), (1.5, "0539Z"), (1.75, "0539Z"), (2.0, "0539Z")])
def test_a_wait_of_a_part_of_a_minute_is_read_as_over_at_the_next_full_one(minutes, over):
    jet = profile(engine_bleed_wait_min=minutes, apu_bleed_wait_min=minutes + 4)
    clocks = option(planned(fluid="Type IV 100/0", aircraft=jet), "stand").clocks
    assert clock_z(clocks.engine_bleed_wait_ends) == over
    assert clocks.apu_bleed_wait_ends - clocks.engine_bleed_wait_ends == timedelta(minutes=4)
