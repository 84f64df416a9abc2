"""Whatever comes in, in whatever order: no clock is longer than its table, and nothing that comes in lengthens one."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from hypothesis import given
from hypothesis import strategies as st

from tests.treatment.aircraft import START, XNOR, at, report, shipped, treated
from watcher.reports.model import Observation
from watcher.treatment.clocks import Clocks, clocks, question_of
from watcher.treatment.holdover import look_up
from watcher.treatment.protection import Protection, Standing, with_entry, with_report
from watcher.treatment.protection_changes import advance
from watcher.treatment.protection_weather import Entered
from watcher.treatment.words import FluidType

_WEATHER = ("", "-SN", "SN", "+SN", "-FZDZ", "-FZRA", "FZRA", "FZFG", "BR", "-PL", "-RASN", "UP", "-SN BR", "BLSN")
_LATER = 600

reports = st.builds(
    report,
    st.integers(-20, 170),
    st.sampled_from(_WEATHER),
    visibility=st.sampled_from(("0300", "0800", "1600", "3000", "5000", "9999", "////")),
    temp=st.sampled_from(("01/00", "00/M01", "M02/M03", "M05/M06", "M12/M14", "/////")),
)
entries = st.builds(
    Entered,
    st.integers(0, 170).map(at),
    st.none() | st.sampled_from([(word,) for word in _WEATHER if word and " " not in word]),
    st.none() | st.sampled_from((400.0, 1500.0, 6000.0)),
    st.booleans(),
)
without_snow = st.builds(
    report,
    st.integers(2, 59),
    st.sampled_from(("", "BR", "FZFG", "-RA", "-FZDZ")),
    visibility=st.sampled_from(("0300", "3000", "9999", "////")),
    temp=st.sampled_from(("02/00", "00/M01", "M02/M03", "M12/M14", "/////")),
)
frosts = st.builds(Entered, st.integers(2, 59).map(at), active_frost=st.just(True))
aircraft = st.builds(
    lambda kind, flaps, training: treated(fluid=kind[0], mix=kind[1], flaps_set=flaps, training=training),
    st.sampled_from([(FluidType.I, None), (FluidType.II, "100/0"), (FluidType.III, "100/0"), (FluidType.IV, "75/25")]),
    st.booleans(),
    st.sampled_from((True, True, True, False)),
)
_LOST = (Standing.SPECIAL, Standing.NONE)


def reading(protection: Protection, minutes: float = 0) -> Clocks:
    return clocks(protection, shipped(), at(minutes))


def heard(protection: Protection, news: list[Observation]) -> Protection:
    for each in news:
        protection = with_report(protection, each, XNOR)
    return protection


def longer(before: Clocks, after: Clocks) -> bool:
    """Return whether a clock is longer than before: a later end, or minutes where there were none."""
    pairs = zip((before.lower_ends_at, before.upper_ends_at), (after.lower_ends_at, after.upper_ends_at), strict=True)
    if before.standing in {*_LOST, Standing.UNKNOWN, Standing.OUT_OF_SEASON}:
        return after.ends_at is not None
    return any(one is not None and other is not None and other > one for one, other in pairs)


@given(aircraft, st.lists(reports, max_size=5), st.randoms(use_true_random=False))
def test_the_order_of_reports_does_not_matter(protection: Protection, news: list[Observation], random: object) -> None:
    shuffled = [*news, *news[:1]]
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert heard(protection, news) == heard(protection, shuffled)


@given(aircraft, st.lists(reports, max_size=4))
def test_no_clock_is_longer_than_any_table_that_it_stood_in(protection: Protection, news: list[Observation]) -> None:
    protection = heard(protection, news)
    found = reading(protection)
    for seen in protection.seen:
        answer = look_up(question_of(protection, seen), shipped(), START, training=protection.training)
        for minutes, of_table in ((found.lower_min, answer.lower_min), (found.upper_min, answer.upper_min)):
            assert minutes is None or of_table is None or minutes <= of_table
        if answer.no_time is not None:
            assert found.lower_min is None
            assert found.upper_min is None


@given(aircraft, st.lists(reports, max_size=4), reports)
def test_a_further_report_never_moves_an_end_later(
    protection: Protection, news: list[Observation], another: Observation
) -> None:
    before = heard(protection, news)
    one, other = reading(before), reading(with_report(before, another, XNOR))
    if one.standing is not Standing.UNKNOWN:
        assert not longer(one, other)
    if one.standing in _LOST:
        assert _LOST.index(other.standing) >= _LOST.index(one.standing)


@given(aircraft, st.lists(reports, max_size=3), entries)
def test_an_entry_never_lengthens(protection: Protection, news: list[Observation], entry: Entered) -> None:
    before = heard(protection, news)
    assert not longer(reading(before), reading(with_entry(before, entry)))


@given(
    aircraft,
    st.sampled_from(("-SN", "SN", "SG", "RASN", "SHSN")),
    st.lists(st.one_of(without_snow, frosts), max_size=4),
    st.sampled_from((400.0, 1500.0, 3000.0, 6000.0)),
)
def test_snow_and_later_how_far_one_sees_in_it_give_no_more_than_both_at_once(
    protection: Protection, snow: str, between: list[Observation | Entered], visibility_m: float
) -> None:
    def after(first: Entered, last: list[Entered]) -> Clocks:
        found = protection
        for each in [first, *between, *last]:
            found = with_entry(found, each) if isinstance(each, Entered) else with_report(found, each, XNOR)
        return reading(found, 61)

    both = after(Entered(at(1), (snow,), visibility_m), [])
    apart = after(Entered(at(1), (snow,)), [Entered(at(60), visibility_m=visibility_m)])
    assert not longer(both, apart)
    if both.standing not in {*_LOST, Standing.UNKNOWN, Standing.OUT_OF_SEASON}:
        assert not apart.wants_visibility


@given(aircraft, st.lists(st.one_of(reports, entries), max_size=6), st.booleans())
def test_what_is_told_follows_one_way_down(
    protection: Protection, news: list[Observation | Entered], blind_between: bool
) -> None:
    """Shortened only ever to an earlier end; lost as allowance, over, special, none, in that order; nothing twice."""
    lost: list[Standing] = []
    end = None
    for minute, each in enumerate(news):
        protection = replace(protection, blind=blind_between and minute % 2 == 1)
        protection, change = advance(protection, each, XNOR, shipped(), at(5 * minute))
        again, repeated = advance(protection, each, XNOR, shipped(), at(5 * minute))
        assert repeated is None
        assert again == protection
        if change is None:
            continue
        if change.kind == "lost":
            lost.append(change.clocks.standing)
        else:
            assert change.clocks.ends_at is not None
            assert end is None or change.clocks.ends_at < end
        end = change.clocks.ends_at or end
    course = [Standing.ALLOWANCE, Standing.OVER, *_LOST]
    assert lost == [each for each in course if each in lost]


@given(aircraft, st.lists(reports, max_size=4))
def test_time_alone_lengthens_nothing(protection: Protection, news: list[Observation]) -> None:
    protection = heard(protection, news)
    now, later = reading(protection), reading(protection, _LATER)
    assert (now.lower_ends_at is None) or later.lower_ends_at == now.lower_ends_at
    if now.ends_at is not None:
        assert now.ends_at <= START + timedelta(minutes=_LATER)
        assert later.standing is Standing.OVER
