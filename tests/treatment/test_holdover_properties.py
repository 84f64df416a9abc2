"""What holds for every look-up: more weather, wider rounding and less knowledge never give more time."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import assume, given
from hypothesis import strategies as st

from tests.treatment.at_hand import shipped, told, with_own
from watcher.treatment.holdover import Holdover, HoldoverQuestion, Outcome
from watcher.treatment.words import FluidType, Surface

RANK = list(Outcome)
SIGNS = ("-", "", "+")
FALLING = ("SN", "SG", "RA", "DZ", "FZRA", "FZDZ", "PL", "GS", "GR", "IC", "UP", "FZUP")
HANGING = ("FZFG", "FG", "BR")
UNSIGNED = ("IC", "GR", "UP", "FZUP")


@st.composite
def groups(draw: st.DrawFn) -> tuple[str, ...]:
    falling = draw(st.lists(st.sampled_from(FALLING), max_size=3, unique=True))
    signed = tuple(code if code in UNSIGNED else draw(st.sampled_from(SIGNS)) + code for code in falling)
    return signed + tuple(draw(st.lists(st.sampled_from(HANGING), max_size=1)))


def temperatures() -> st.SearchStrategy[float]:
    """Any, and often those at which a table changes."""
    return st.one_of(st.floats(-40, 9), st.sampled_from([each for each in shipped().breaks_c if each > -40]))


@st.composite
def questions(draw: st.DrawFn) -> HoldoverQuestion:
    fluid = draw(st.sampled_from(FluidType))
    low = draw(temperatures())
    return HoldoverQuestion(
        fluid=fluid,
        mix=draw(st.sampled_from(["100/0", "75/25", "50/50"])) if fluid.thickened else None,
        temp_low_c=low,
        temp_high_c=low + draw(st.sampled_from([0.0, 0.5, 1.0])),
        weather=draw(groups()),
        visibility_m=draw(st.one_of(st.floats(0, 10000), st.sampled_from([400.0, 800.0, 1600.0, 1609.0, 3218.0, 4000.0]))),
        night=draw(st.sampled_from([True, False, None])),
        surface=draw(st.sampled_from([Surface.ALUMINIUM, Surface.COMPOSITE, Surface.UNKNOWN])),
        active_frost=draw(st.booleans()),
        automatic=draw(st.booleans()),
    )  # fmt: skip


def at_most(answer: Holdover, other: Holdover) -> bool:
    """Whether the first answer gives no more than the other."""
    if RANK.index(answer.outcome) != RANK.index(other.outcome):
        return RANK.index(answer.outcome) > RANK.index(other.outcome)
    pairs = [
        (answer.lower_min, other.lower_min),
        (answer.upper_min, other.upper_min),
        (answer.allowance_min, other.allowance_min),
    ]
    return all(one is None or more is None or one <= more for one, more in pairs)


@given(questions(), st.sampled_from(FALLING), st.sampled_from(SIGNS))
def test_more_precipitation_never_gives_more(question, code, sign):
    added = code if code in UNSIGNED else sign + code
    heavier = replace(question, weather=(*question.weather, added))
    assert at_most(told(heavier), told(question))


@given(questions(), st.data())
def test_a_heavier_sign_never_gives_more(question, data):
    assume(any(group.startswith("-") for group in question.weather))
    heavier = tuple(group.removeprefix("-") for group in question.weather)
    assert at_most(told(replace(question, weather=heavier)), told(question))
    heaviest = tuple("+" + group if group[:2] in {"SN", "RA", "PL"} else group for group in heavier)
    assert at_most(told(replace(question, weather=heaviest)), told(replace(question, weather=heavier)))


@given(questions(), st.floats(0, 1))
def test_a_poorer_visibility_never_gives_more(question, share):
    poorer = replace(question, visibility_m=question.visibility_m * share)
    assert at_most(told(poorer), told(question))
    assert at_most(told(replace(question, visibility_bound="below")), told(question))


@given(questions(), st.floats(0, 8), st.floats(0, 8))
def test_a_wider_temperature_interval_never_gives_more(question, colder, warmer):
    wider = replace(question, temp_low_c=question.temp_low_c - colder, temp_high_c=question.temp_high_c + warmer)
    assert at_most(told(wider), told(question))


@given(questions(), st.floats(0, 1))
def test_every_temperature_inside_an_interval_gives_at_least_its_answer(question, share):
    inside = question.temp_low_c + share * (question.temp_high_c - question.temp_low_c)
    assert at_most(told(question), told(replace(question, temp_low_c=inside, temp_high_c=inside)))


@given(questions())
def test_what_is_not_known_is_never_taken_for_the_better_case(question):
    answers = [told(replace(question, night=night)) for night in (True, False)]
    unknown = told(replace(question, night=None))
    assert all(at_most(unknown, answer) for answer in answers)
    for surface in (Surface.ALUMINIUM, Surface.COMPOSITE):
        known = told(replace(question, surface=surface))
        assert at_most(told(replace(question, surface=Surface.UNKNOWN)), known)
    assert at_most(told(replace(question, cold_soaked_wing=None)), told(replace(question, cold_soaked_wing=False)))
    assert at_most(told(replace(question, automatic=True)), told(replace(question, automatic=False)))
    assert at_most(told(replace(question, flaps_set=True)), told(question))


@given(questions(), st.sampled_from(shipped().authorities))
def test_one_authority_is_never_stricter_than_all(question, authority):
    only = told(replace(question, authority=authority))
    assume(only.outcome is not Outcome.UNKNOWN and only.outcome is not Outcome.NONE)
    assert at_most(told(question), only)


@given(questions(), st.sampled_from(["temp_low_c", "weather", "visibility_m", "mix"]))
def test_unknown_never_gives_a_number(question, field):
    if field == "visibility_m":
        assume(any(code in "".join(question.weather) for code in ("SN", "SG")))
    if field == "mix":
        assume(question.fluid.thickened)
    answer = told(replace(question, **{field: None}))
    assert (answer.lower_min, answer.upper_min, answer.allowance_min) == (None, None, None)
    for mark in ("//", "FZ//"):
        unseen = told(replace(question, weather=(*question.weather, mark)))
        assert (unseen.lower_min, unseen.upper_min, unseen.allowance_min) == (None, None, None)


@given(questions())
def test_numbers_stand_only_where_the_outcome_says_so_and_never_out_of_season(question):
    for tables in (shipped(), with_own()):
        for training in (True, False):
            answer = told(question, tables, training=training)
            timed = answer.outcome is Outcome.TIME
            assert (answer.lower_min is not None) is timed
            assert (answer.upper_min is not None) is timed
            assert answer.allowance_min is None or answer.outcome is Outcome.ALLOWANCE
            if timed:
                assert 0 < answer.lower_min <= answer.upper_min
                assert answer.column is not None
                assert answer.basis is not None
            if not training and (timed or answer.allowance_min is not None):
                assert answer.current is True
            assert answer.why
            assert answer.caution
