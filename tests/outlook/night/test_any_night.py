"""Whatever is reported, known or asked: an answer, finite, in order, and with what is missing said."""

from __future__ import annotations

import math
from datetime import timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.outlook.night.asking import EVENING, moment, question
from watcher.outlook.night.ensemble import nights

TEMPS = st.integers(-50, 25)
TIMES = st.none() | st.floats(-8, 12).map(lambda hours: EVENING + timedelta(hours=hours))
SKIES = st.sampled_from(
    [
        "CAVOK",
        "9999 NSC",
        "9999 FEW030CB",
        "9999 SCT///",
        "//////",
        "4000 BR BKN008",
        "0200 FZFG VV///",
        "9999 OVC250",
        "",
    ]
)
WEATHER = st.sampled_from(["", "-SN ", "FZRA ", "RA ", "+RASN ", "SHGR ", "UP ", "BCFG ", "VCSH "])
WINDS = st.sampled_from(["00000KT", "VRB02KT", "24012G28KT", "/////KT", "06003MPS", "18049KT"])
CHANGES = st.sampled_from(
    [
        "",
        "BECMG 1220/1222 OVC005",
        "FM122100 24015KT 3000 SN OVC010",
        "TEMPO 1219/1305 FZRA",
        "PROB30 TEMPO 1300/1306 0200 FG",
    ]
)
HISTORIES = st.lists(
    st.tuples(st.floats(0.2, 9), st.none() | TEMPS, st.none() | st.booleans(), st.none() | st.booleans()), max_size=6
)


def _degrees(temp: int) -> str:
    return f"M{-temp:02d}" if temp < 0 else f"{temp:02d}"


@st.composite
def questions(draw):
    temp, spread = draw(TEMPS), draw(st.none() | st.integers(0, 30))
    dew = "//" if spread is None else _degrees(temp - spread)
    sky = draw(SKIES)
    weather = "" if sky in {"CAVOK", "//////"} else draw(WEATHER)
    report = f"{draw(WINDS)} {sky.replace(' ', ' ' + weather, 1) if weather else sky} {_degrees(temp)}/{dew} Q1013"
    low = f" TN{_degrees(temp - draw(st.integers(-2, 12)))}/1306Z" if draw(st.booleans()) else ""
    taf = f"1218/{draw(st.sampled_from(['1224', '1306', '1318']))} 20006KT 9999 SCT020{low} {draw(CHANGES)}"
    history = sorted(draw(HISTORIES), key=lambda past: -past[0])
    return question(
        draw(st.sampled_from([report, report, report, None])),
        draw(st.sampled_from([taf, taf, None])),
        hours=draw(st.floats(-1, 30)),
        place=draw(
            st.sampled_from(
                [(60.2, 11.1, 210.0), (78.0, 15.0, 10.0), (-54.8, -68.3, 20.0), (0.0, 0.0, 3900.0), (None, None, None)]
            )
        ),
        history=tuple(moment(hours, temp, falls=falls, wet=wet) for hours, temp, falls, wet in history),
        fuel_c=draw(st.none() | st.floats(-30, 25)),
        hangar_exit_at=draw(TIMES),
        hangar_c=draw(st.none() | st.floats(-5, 22)),
        treated_at=draw(TIMES),
        arrived_at=draw(TIMES),
        sheltered=draw(st.floats(0, 1)),
        emissivity=draw(st.none() | st.floats(0.05, 0.98)),
    )


@settings(max_examples=80)
@given(st.lists(questions(), min_size=1, max_size=3))
def test_any_question_gets_a_finite_answer(asked):
    for one, night in zip(asked, nights(asked, members=24), strict=True):
        assert night.begins_at <= one.now
        if night.p_any is None:
            assert night.notes
            continue
        for part in night.parts:
            assert part.steps[-1].at == night.ends_at
            for step in part.steps:
                for values in (step.skin_c, step.temp_c, step.frost_point_c):
                    assert all(math.isfinite(value) for value in values)
                    assert values.p10 <= values.p50 <= values.p90
                for chance in (step.p_active_frost, step.p_deposit, step.p_frozen_residual, step.p_precipitation):
                    assert 0 <= chance <= 1
