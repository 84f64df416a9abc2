"""What would change the answer: one thing at a time, in the report and in every line of the TAF."""

from __future__ import annotations

from array import array
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from watcher.outlook.night.model import Night, NightQuestion, PartNight, Steps
from watcher.outlook.night.plan import plan_of
from watcher.outlook.night.sensitivity import deposit_chance, sensitivities, variants
from watcher.reports.decode import decode_report
from watcher.reports.station import Station

NOW = datetime(2026, 1, 12, 20, 5, tzinfo=UTC)
UNTIL = datetime(2026, 1, 13, 5, 40, tzinfo=UTC)
XNOR = Station("XNOR", latitude_deg=60.2, longitude_deg=11.1, elevation_m=210.0)
TAF = "TAF XNOR 121720Z 1218/1318 24012G25KT 9999 BKN012 BECMG 1222/1224 18004KT TEMPO 1302/1306 0800 FG VV002"


def question(report: str | None, taf: str | None = None) -> NightQuestion:
    return NightQuestion(
        station=XNOR,
        latest=decode_report(report, received_at=NOW) if report else None,
        history=(),
        forecast=decode_report(taf, received_at=NOW) if taf else None,
        now=NOW,
        until=UNTIL,
    )


NOTHING = Steps((), array("f"), array("f"))


def night(p_any: float | None, *deposits: float) -> Night:
    parts = tuple(
        PartNight(name, p_any or 0.0, deposit, 0.0, 0.0, None, None, None, None, None, NOTHING)
        for name, deposit in zip(("dry_bay", "tank_full", "tank_part"), deposits, strict=False)
    )
    return Night("XNOR", NOW, UNTIL, 200, parts, None, None, None, p_any, (), None, None)


def test_sky_and_wind_are_changed_in_the_report_and_in_every_line_of_the_taf():
    changed = dict(variants(question("METAR XNOR 122000Z 24012G25KT 2000 BR VV003 02/01 Q1011", TAF)))
    assert set(changed) == {
        "clear sky all night", "overcast at 2000 ft all night", "calm all night", "wind of 10 kt all night",
        "dew point 1 K lower", "dew point 1 K higher",
    }  # fmt: skip
    sky = changed["overcast at 2000 ft all night"]
    for state in (sky.latest, *sky.forecast.periods):
        assert [(layer.amount, layer.base_ft) for layer in state.clouds] == [("OVC", 2000)]
        assert state.vertical_visibility_ft is None
    calm = changed["calm all night"]
    assert all((state.wind_kt, state.gust_kt) == (0.0, None) for state in (calm.latest, *calm.forecast.periods))
    assert calm.latest.temp_c == 2.0


def test_every_change_keeps_the_random_numbers_of_the_question():
    asked = question("METAR XNOR 122000Z 00000KT CAVOK 02/01 Q1011", TAF)
    keys = {plan_of(changed).key for _, changed in variants(asked)}
    assert keys == {plan_of(asked).key}


@pytest.mark.parametrize(
    ("groups", "words"),
    [
        ("02/02", {"dew point 1 K lower"}),
        ("02/01", {"dew point 1 K lower", "dew point 1 K higher"}),
        ("02/02 Q1011 RMK T00200016", {"dew point 1 K lower", "dew point 0.4 K higher"}),
        ("02///", set()),
    ],
)
def test_the_dew_point_is_moved_no_further_than_the_temperature_and_not_at_all_where_unknown(groups, words):
    changed = dict(variants(question(f"METAR XNOR 122000Z 00000KT CAVOK {groups}")))
    assert {name for name in changed if name.startswith("dew")} == words
    for name in words:
        assert plan_of(changed[name]).beginning.dew is not None, "the report is still used"


def test_without_a_taf_the_words_say_that_only_the_report_is_changed():
    changed = variants(question("METAR XNOR 122000Z 00000KT CAVOK 02/01 Q1011"))
    assert [words for words, _ in changed][:4] == [
        "clear sky in the report", "overcast at 2000 ft in the report", "calm in the report", "wind of 10 kt in the report",
    ]  # fmt: skip
    assert len(variants(question(None, TAF))) == 4


def test_only_what_moves_the_answer_by_5_points_is_told_the_largest_first():
    base = night(0.5, 0.4, 0.2)
    told = sensitivities(
        base,
        [("small", night(0.54, 0.36)), ("forms less", night(0.44, 0.4)), ("lies more", night(0.5, 0.1, 0.7)), ("edge", night(0.55, 0.4))],
    )  # fmt: skip
    assert [item.change for item in told] == ["lies more", "forms less", "edge"]
    assert (told[0].p_any_points, told[0].p_deposit_points) == (0.0, 30.0)
    assert (told[1].p_any, told[1].p_any_points) == (0.44, -6.0)


def test_where_nothing_could_be_computed_there_is_nothing_to_change():
    assert sensitivities(night(None), [("overcast", night(0.5, 0.5))]) == ()
    assert sensitivities(night(0.5, 0.5), [("overcast", night(None))]) == ()
    assert deposit_chance(night(None)) == 0.0
    assert deposit_chance(replace(night(0.5, 0.1, 0.6), worst_part="dry_bay")) == 0.6
