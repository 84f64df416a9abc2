from __future__ import annotations

from datetime import timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.treatment.departing import OFF_BLOCK, fixed, option, planned

# From the lightest to the heaviest, so that each is at least as bad as the one before it.
WEATHER = ("9999 -SN", "5000 -SN", "2500 -SN", "1500 SN", "1000 SN", "0500 +SN")
FLUIDS = st.sampled_from(["Type I 60/40", "Type IV 100/0"])
PLACES = ("stand", "after-push", "pad")


def _plan(falls, fluid, taxi=10, tobt=OFF_BLOCK, metar=None):
    taf = f"1203/1218 34008KT {falls} OVC012 TX00/1212Z TNM06/1206Z"
    return planned(
        f"34008KT {metar or falls} OVC012 M04/M05 Q1003", taf, at=fixed(taxi), fluid=fluid, members=30, tobt=tobt
    )


def _chances(found):
    """Return the chances; none where no time exists."""
    return found.p_within_lower or 0.0, found.p_within_upper or 0.0


@settings(max_examples=25)
@given(st.integers(0, 4), FLUIDS, st.integers(0, 1))
def test_more_precipitation_never_gives_more(lighter, fluid, step):
    light, heavy = _plan(WEATHER[lighter], fluid), _plan(WEATHER[lighter + step], fluid)
    for place in PLACES:
        assert _chances(option(heavy, place)) <= _chances(option(light, place))
        assert all(
            more >= less
            for more, less in zip(_chances(option(light, place)), _chances(option(heavy, place)), strict=True)
        )


@settings(max_examples=20)
@given(st.integers(0, 30), st.integers(0, 40), FLUIDS, st.sampled_from(WEATHER))
def test_a_longer_way_never_gives_more(taxi, longer, fluid, falls):
    short, long = _plan(falls, fluid, taxi), _plan(falls, fluid, taxi + longer)
    for place in ("stand", "after-push"):
        before, behind = option(short, place), option(long, place)
        assert all(more >= less for more, less in zip(_chances(before), _chances(behind), strict=True))
        assert behind.take_off.p50 == before.take_off.p50 + timedelta(minutes=longer)


@settings(max_examples=15)
@given(st.integers(0, 3), st.integers(1, 12), FLUIDS)
def test_a_later_departure_into_heavier_snow_never_gets_more(lighter, later, fluid):
    """Snow that only becomes heavier, at a temperature that stays."""
    taf = f"1203/1218 34008KT {WEATHER[lighter]} OVC012 FM120600 34008KT {WEATHER[lighter + 2]} OVC012 TXM05/1212Z TNM05/1206Z"
    metar = f"34008KT {WEATHER[lighter]} OVC012 M05/M06 Q1003"

    def at(minutes):
        return planned(metar, taf, fluid=fluid, members=30, tobt=OFF_BLOCK + timedelta(minutes=minutes))

    early, late = at(0), at(10 * later)
    for place in PLACES:
        gained = _chances(option(late, place))[0] - _chances(option(early, place))[0]
        assert gained <= 0.1, "the temperature of a few members passes a break of the tables"


@settings(max_examples=20)
@given(st.sampled_from(WEATHER), st.sampled_from(WEATHER), FLUIDS, st.integers(0, 200))
def test_chances_lie_between_0_and_1_and_the_upper_time_never_covers_fewer(now, later, fluid, minutes):
    made = _plan(later, fluid, metar=now, tobt=OFF_BLOCK + timedelta(minutes=minutes))
    for found in made.options:
        if found.p_within_lower is not None:
            assert 0 <= found.p_within_lower <= found.p_within_upper <= 1
        assert 0 <= found.p_no_time <= 1
        assert found.times["ERZT"].p50 <= found.times["ECZT"].p50 <= found.times["EEZT"].p50 <= found.take_off.p50
        assert found.take_off.p10 <= found.take_off.p50 <= found.take_off.p90
    assert 0 <= made.need.p_any <= 1
    assert made.need.p_protection <= made.need.p_any
