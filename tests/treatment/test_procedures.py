"""The shipped checklists, what an own one may say, and which step is next."""

from __future__ import annotations

import re
from itertools import product
from pathlib import Path

import airportsdata
import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.errors import RulesError
from watcher.treatment.kinds import Engines, Place
from watcher.treatment.parse_procedure import parse_procedure
from watcher.treatment.procedures import (
    Apu,
    Clock,
    Condition,
    HoldoverState,
    Moved,
    Phase,
    Procedure,
    Situation,
    Who,
    done_at,
    in_situation,
    steps_after,
)

RULES = Path(__file__).parents[2] / "rules"
SHIPPED = {
    place: parse_procedure((RULES / f"procedures/{place}.toml").read_text(encoding="utf-8"), f"procedures/{place}.toml")
    for place in Place
}
SITUATIONS = [
    Situation(engines, apu, propeller, temp_c, holdover)
    for engines, apu, propeller, temp_c, holdover in product(
        (None, *Engines), (None, *Apu), (None, True, False), (None, -10.0, 1.0), (None, *HoldoverState)
    )
]
OWN = """
place = "pad"
title = "Pad, our way"
first = "The manual of the aircraft goes first."

[[item]]
id = "ready"
phase = "before"
who = "crew"
text = "Brake set, ready."
source = "operator's programme, 4.2"

[[item]]
id = "final-step"
phase = "during"
who = "both"
text = "The final step begins."
source = "operator's programme, 4.3"
starts = ["final-step-start", "holdover"]

[[item]]
id = "last-fluid"
phase = "during"
who = "ground crew"
text = "The last fluid is on."
source = "operator's programme, 4.4"
starts = ["treatment-end", "engine-bleed-wait"]

[[item]]
id = "flaps"
phase = "after"
who = "crew"
text = "Flaps set."
source = "operator's programme, 4.5"
needs = ["engine-bleed-wait"]
moves = ["flaps"]

[[stop]]
id = "smoke"
text = "Smoke."
source = "operator's programme, 4.6"
"""
every_place = pytest.mark.parametrize("procedure", SHIPPED.values(), ids=list(SHIPPED))


def ids(procedure: Procedure) -> list[str]:
    return [item.id for item in procedure.items]


def problems(text: str, name: str = "procedures/pad.toml") -> str:
    with pytest.raises(RulesError) as refused:
        parse_procedure(text, name)
    return str(refused.value)


@every_place
def test_each_place_has_before_during_and_after_in_every_situation(procedure):
    for situation in SITUATIONS:
        items = in_situation(procedure, situation).items
        assert {item.phase for item in items} == set(Phase)
        assert [item.phase for item in items] == sorted((item.phase for item in items), key=list(Phase).index)


@every_place
def test_every_step_and_every_stop_says_where_it_comes_from(procedure):
    known = r"common practice, no source|memory|Transport Canada|UK CAA|ICAO|EASA|AEA|CAR 622|14 CFR"
    for entry in (*procedure.items, *procedure.stops):
        for part in entry.source.split("; "):
            assert re.search(known, part), (entry.id, part)


@every_place
def test_nothing_is_moved_before_the_treatment_has_ended_and_all_are_clear(procedure):
    for situation in SITUATIONS:
        order = in_situation(procedure, situation)
        clear = ids(order).index("clear-of-equipment")
        assert clear > max(number for number, item in enumerate(order.items) if Clock.TREATMENT_END in item.starts)
        moved = [part for item in order.items[clear:] for part in item.moves]
        assert set(moved) == set(Moved)
        assert not any(item.moves for item in order.items[:clear])
        assert all(item.phase is Phase.AFTER for item in order.items if item.moves)


@every_place
def test_the_texts_move_no_slat_flap_or_control_that_the_file_does_not_mark(procedure):
    for item in procedure.items:
        words = re.findall(r"slats|flaps|controls", item.text, flags=re.IGNORECASE)
        allowed = {"surfaces-left-alone", "surfaces-checked"}
        assert not words or item.moves or item.id in allowed, item.id


@every_place
def test_the_holdover_time_runs_from_the_start_of_the_final_step_and_the_bleed_waits_from_the_end(procedure):
    # UK CAA, CAT.OP.MPA.250 GM (2020), p. 286; Transport Canada, TP 10643E, chapter 4, paragraph 66.
    starts = {clock: item for item in procedure.items for clock in item.starts}
    assert set(starts) == set(Clock)
    assert starts[Clock.HOLDOVER].id == starts[Clock.FINAL_STEP_START].id == "final-step-begins"
    assert starts[Clock.ENGINE_BLEED_WAIT].id == starts[Clock.APU_BLEED_WAIT].id == "treatment-ends"
    assert ids(procedure).index("final-step-begins") < ids(procedure).index("treatment-ends")


@every_place
def test_the_final_code_is_fluid_mix_and_start_in_this_order_and_apart_from_the_word_that_all_are_clear(procedure):
    # ICAO Doc 9640, 10.4 (elements A, B, C) and 10.6, as quoted in EASA study EASA.2009.OP.21.
    found = {item.id: item for item in procedure.items}
    assert found["final-code"].record == ("fluid type", "mix, fluid to water", "final step began, Z")
    assert "clear" not in found["final-code"].text.lower()
    assert ids(procedure).index("final-code") < ids(procedure).index("clear-of-equipment")
    assert found["clear-of-equipment"].record == ()


@every_place
@pytest.mark.parametrize(
    "precaution",
    [
        r"as few as possible|as few engines running as possible",
        r"thrust idle",
        r"packs off",
        r"no fluid sprayed into inlets of engines, apu and air conditioning",
        r"from the fin into an inlet below it",
        r"as the manual wants them for treatment",
    ],
)
def test_with_engines_running_every_published_precaution_is_there(procedure, precaution):
    # Transport Canada, TP 10643E, chapter 4, paragraph 50: the list for main engines running.
    order = in_situation(procedure, Situation(engines=Engines.RUNNING))
    assert any(re.search(precaution, item.text.lower()) for item in order.items)


@every_place
def test_what_a_crew_is_told_when_it_may_leave(procedure):
    # Transport Canada, TP 10643E, chapter 4, paragraph 71: clear, start of engines, propellers, hand signals.
    told = " ".join(item.text.lower() for item in procedure.items if item.phase is Phase.AFTER)
    assert "people, rigs and hoses are clear" in told
    assert "start-up" in told
    assert ("feather" in told) is (procedure.place is not Place.STAND)
    assert ("hand signal" in told) is (procedure.place is Place.AFTER_PUSH)


def test_steps_hang_on_engines_apu_propellers_and_temperature():
    pad = SHIPPED[Place.PAD]
    running = ids(in_situation(pad, Situation(Engines.RUNNING, Apu.OFF, propeller=False, temp_c=1.0)))
    assert "thrust-stays-idle" in running
    assert not {"engines-shut-down", "apu-bleed-off", "propellers-agreed", "no-water-below-minus-3"} & set(running)
    stopped = ids(in_situation(pad, Situation(Engines.OFF, Apu.RUNNING, propeller=True, temp_c=-3.1)))
    assert {"engines-shut-down", "apu-bleed-off", "propellers-agreed", "no-water-below-minus-3"} <= set(stopped)
    assert "thrust-stays-idle" not in stopped


def test_hot_water_alone_is_left_as_a_first_step_at_minus_3_and_not_below():
    # Transport Canada, holdover guidelines, Table 6 (2009 copy): the bands are "-3 and above" and "below -3".
    water = next(item for item in SHIPPED[Place.STAND].items if item.id == "no-water-below-minus-3").when
    assert [water.holds(Situation(temp_c=value)) for value in (-3.0, -3.5, None)] == [False, True, None]


def test_a_step_of_which_it_is_not_known_whether_it_counts_stays():
    assert ids(in_situation(SHIPPED[Place.PAD], Situation())) == ids(SHIPPED[Place.PAD])


def test_a_condition_that_fails_in_one_part_fails_whatever_the_rest_is():
    both = Condition(engines=Engines.RUNNING, apu=Apu.RUNNING)
    assert both.holds(Situation(engines=Engines.OFF)) is False
    assert both.holds(Situation(engines=Engines.RUNNING)) is None
    assert both.holds(Situation(Engines.RUNNING, Apu.RUNNING)) is True
    assert both.text == "the engines run and the APU runs"


@given(st.sets(st.sampled_from(ids(SHIPPED[Place.PAD]))), st.sampled_from(SITUATIONS))
def test_the_next_step_is_the_first_that_is_not_done_and_the_list_comes_to_an_end(done, situation):
    order = in_situation(SHIPPED[Place.PAD], situation)
    walked = []
    while (step := steps_after(order, done)) is not None:
        assert len(walked) <= len(order.items)
        walked.append(step.id)
        done = done | {step.id}
    assert walked == [step for step in ids(order) if step in walked]
    assert set(ids(order)) <= done


def test_ids_of_another_edition_of_the_file_count_for_nothing():
    assert steps_after(parse_procedure(OWN, "procedures/pad.toml"), {"no-such-step"}).id == "ready"


def test_when_the_final_step_has_begun_all_before_it_lies_behind():
    own = parse_procedure(OWN, "procedures/pad.toml")
    behind = done_at(own, Clock.HOLDOVER)
    assert behind == {"ready", "final-step"}
    assert steps_after(own, behind).id == "last-fluid"
    with pytest.raises(ValueError, match=r"no step of procedures/pad\.toml starts apu-bleed-wait"):
        done_at(own, Clock.APU_BLEED_WAIT)


def test_an_own_procedure_is_read_as_written():
    own = parse_procedure(OWN, "my-rules/procedures/pad.toml")
    assert (own.place, own.title, own.first) == (Place.PAD, "Pad, our way", "The manual of the aircraft goes first.")
    assert own.items[1].who is Who.BOTH
    assert own.items[3].moves == (Moved.FLAPS,)
    assert [stop.id for stop in own.stops] == ["smoke"]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('who = "crew"', 'who = "pilots"', 'item "ready": who: "pilots" is not allowed; allowed: both, crew, ground'),
        ('phase = "before"', 'phase = "befor"', 'phase: "befor" is not allowed; did you mean before?'),
        ('text = "Smoke."', 'txt = "Smoke."', 'stop "smoke": key "txt" is not known; did you mean text?'),
        ('text = "Smoke."', 'txt = "Smoke."', 'stop "smoke": "text" is missing'),
        ('source = "operator\'s programme, 4.2"', "", 'item "ready": "source" is missing'),
        ('text = "Brake set, ready."', "text = 7", 'item "ready": text: input should be a valid string'),
        ('moves = ["flaps"]', 'moves = ["flap"]', 'moves.0: "flap" is not allowed; did you mean flaps?'),
        ("[[stop]]", "[[stopp]]", 'key "stopp" is not known; did you mean stop?'),
        ("[[stop]]", "[stop]", "stop is no list of tables; write [[stop]] with two brackets"),
        ('id = "smoke"', 'id = "ready"', 'stop "ready": id "ready" stands twice'),
        ('place = "pad"', 'place = "stand"', '"stand" is not the name of the file'),
        ('first = "The manual of the aircraft goes first."', "", '"first" is missing'),
        ('needs = ["engine-bleed-wait"]', 'needs = ["apu-bleed-wait"]', "needs apu-bleed-wait, which no item before it"),
        ('starts = ["treatment-end", "engine-bleed-wait"]', 'starts = ["engine-bleed-wait"]', "no item starts treatment-end"),
        ('starts = ["treatment-end", "engine-bleed-wait"]', 'starts = ["treatment-end", "holdover"]', "2 items start holdover"),
        (
            'starts = ["final-step-start", "holdover"]',
            'starts = ["final-step-start", "engine-bleed-wait"]',
            'item "final-step": starts engine-bleed-wait; it runs from treatment-end',
        ),
        (
            'starts = ["final-step-start", "holdover"]',
            'starts = ["final-step-start"]\nwhen = { engines = "off" }',
            "starts final-step-start only under a condition; leave out when",
        ),
        ('text = "The final step begins."', 'text = "Begins."\nmoves = ["flaps"]', "moves flaps before the treatment has ended"),
        ('text = "The final step begins."', 'text = "Begins."\nwhen = { engine = "off" }', 'key "when.engine" is not known; did you mean engines?'),
        ('phase = "after"', 'phase = "before"', 'phase "before" after "during"'),
        ('phase = "after"', 'phase = "during"', 'phase "after" has no item'),
        ('place = "pad"', 'place = "pad', "is no TOML"),
    ],
)  # fmt: skip
def test_a_procedure_that_cannot_be_used_is_refused_with_the_reason_and_a_way_out(old, new, said):
    assert OWN.count(old) >= 1
    told = problems(OWN.replace(old, new, 1))
    assert said in told
    assert told.startswith("procedures/pad.toml")


def test_all_that_is_wrong_is_said_at_once():
    told = problems(OWN.replace('who = "crew"', 'who = "pilots"').replace("[[stop]]\nid", "[[stop]]\nide"))
    assert len(told.splitlines()) == 4
    assert "ide" in told


@every_place
def test_the_shipped_files_name_no_airport_and_nobody_but_their_sources(procedure):
    # Location indicators: airportsdata (MIT).
    text = (RULES / f"procedures/{procedure.place}.toml").read_text(encoding="utf-8")
    assert not set(re.findall(r"\b[A-Z]{4}\b", text)) & (set(airportsdata.load("ICAO")) - {"EASA", "ICAO"})
    spoken = [item.text for item in procedure.items] + [stop.text for stop in procedure.stops]
    inside = {word for line in spoken for word in re.findall(r"(?<=[a-z,] )[A-Z]\w*", line)}
    assert inside <= {"APU", "I", "Type", "C"}


def test_the_manual_of_the_aircraft_goes_first_at_every_place():
    assert all(procedure.first.startswith("The aircraft's own manual goes first") for procedure in SHIPPED.values())
    assert all(procedure.items[0].id == "manual-read" for procedure in SHIPPED.values())
