"""From a TAF to what is expected, when, and how firmly. Group meanings: WMO-No. 306, FM 51."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from watcher.outlook.expectations import expectations
from watcher.outlook.path import AirPath
from watcher.outlook.steps import expected_steps
from watcher.reports.decode import decode_report
from watcher.reports.model import Forecast, Observation
from watcher.reports.station import Station
from watcher.rulebook.derive import UNSEEN
from watcher.rulebook.words import Certainty
from watcher.service.rules_folder import load_rulebook

XNOR = Station("XNOR", "Northby", None, 60.20, 11.10, 210.0, "Europe/Oslo")
NOWHERE = Station("XNOR")
NOW = datetime(2026, 1, 12, 5, 10, tzinfo=UTC)


def at(hour: int, day: int = 12) -> datetime:
    return datetime(2026, 1, day, hour, tzinfo=UTC)


def taf(groups: str, valid: str = "1206/1306") -> Forecast:
    seen = decode_report(f"TAF XNOR 120500Z {valid} {groups}", received_at=NOW)
    assert isinstance(seen, Forecast), seen
    return seen


def report(text: str) -> Observation:
    seen = decode_report(text, received_at=NOW)
    assert isinstance(seen, Observation)
    return seen


def periods(forecast: Forecast, code: str, latest=None, now=NOW) -> list[tuple[Certainty, datetime, datetime]]:
    """The periods in which a weather code is expected, with how firmly."""
    found: list[tuple[Certainty, datetime, datetime]] = []
    for step in expected_steps(forecast, station=NOWHERE, latest=latest, now=now):
        if any(code in group for group in step.facts.values["weather"]):
            found.append((step.certainty, step.begins_at, step.ends_at))
    return found


def test_the_base_lasts_until_the_next_fm():
    assert periods(taf("00000KT 3000 -SN OVC010 FM121000 9999 NSW SCT030"), "SN") == [
        (Certainty.PREVAILING, at(6), at(10))
    ]


def test_while_something_becomes_both_states_are_possible():
    forecast = taf("00000KT 9999 SCT030 BECMG 1208/1210 3000 -SN OVC010")
    assert periods(forecast, "SN") == [
        (Certainty.BECOMING, at(8), at(10)),
        (Certainty.PREVAILING, at(10), at(6, 13)),
    ]
    ending = taf("00000KT 3000 -SN OVC010 BECMG 1208/1210 9999 NSW SCT030")
    assert periods(ending, "SN") == [(Certainty.PREVAILING, at(6), at(10))], "the old state counts until the end"


def test_tempo_and_prob_keep_their_words():
    forecast = taf("00000KT 9999 SCT030 TEMPO 1208/1210 -SN PROB30 1211/1212 FZFG PROB40 TEMPO 1213/1215 -FZDZ")
    assert periods(forecast, "SN") == [(Certainty.TEMPORARY, at(8), at(10))]
    assert periods(forecast, "FZFG") == [(Certainty.PROBABILITY_30, at(11), at(12))]
    assert periods(forecast, "FZDZ") == [(Certainty.PROBABILITY_40_TEMPORARY, at(13), at(15))]


def test_an_overlay_keeps_what_it_does_not_name():
    steps = expected_steps(taf("00000KT 3000 -SN OVC010 TEMPO 1208/1210 0800"), station=NOWHERE, latest=None, now=NOW)
    (overlay,) = [step for step in steps if step.certainty is Certainty.TEMPORARY]
    assert overlay.facts.values["weather"] == frozenset({"-SN"})
    assert overlay.facts.values["visibility_m"] == 800


def test_a_group_that_cannot_be_read_leaves_open_what_freezes_as_long_as_its_weather_lasts():
    """decoding.md 3: a token that may freeze makes `freezing_or_frozen` unknown, never false."""
    forecast = taf(
        "00000KT 9999 SCT030 TEMPO 1207/1208 XFZRA PROB30 1208/1209 -FZDZ XPLX BECMG 1210/1211 3000 -RA XSNX "
        "TEMPO 1212/1213 BKN005 BECMG 1214/1215 NSW"
    )
    steps = expected_steps(forecast, station=NOWHERE, latest=None, now=NOW)
    found = {(step.certainty, step.begins_at.hour): step.facts.values for step in steps}
    open_at = {key for key, values in found.items() if values["freezing_or_frozen"] is None}
    assert open_at == {
        (Certainty.TEMPORARY, 7),
        (Certainty.BECOMING, 10),
        (Certainty.PREVAILING, 11),
        (Certainty.TEMPORARY, 12),
    }
    assert found[Certainty.PROBABILITY_30, 8]["freezing_or_frozen"] is True
    assert {found[key]["freezing_precipitation"] for key in open_at} == {None}
    assert found[Certainty.PREVAILING, 11]["weather"] == frozenset({"-RA", UNSEEN})
    assert found[Certainty.PREVAILING, 15]["freezing_or_frozen"] is False


def test_a_group_that_cannot_be_read_leaves_the_weather_that_stands_there():
    """It need not be weather: what a change does not name goes on (WMO-No. 306, FM 51)."""
    forecast = taf(
        "00000KT 9999 BKN030 BECMG 1208/1209 3000 SN OVC008 BECMG 1210/1211 -FZRX BKN010 BECMG 1213/1214 NSW"
    )
    steps = expected_steps(forecast, station=NOWHERE, latest=None, now=NOW)
    found = {(step.certainty, step.begins_at.hour): step.facts.values for step in steps}
    assert found[Certainty.PREVAILING, 11]["frozen_precipitation"] is True
    assert found[Certainty.PREVAILING, 11]["freezing_precipitation"] is None
    assert found[Certainty.PREVAILING, 9]["freezing_precipitation"] is False
    assert found[Certainty.PREVAILING, 14]["freezing_or_frozen"] is False


def test_only_the_next_thirty_hours_and_nothing_that_has_passed():
    steps = expected_steps(taf("00000KT CAVOK", valid="1206/1324"), station=XNOR, latest=None, now=at(9))
    assert min(step.begins_at for step in steps) == at(9)
    assert max(step.ends_at for step in steps) == at(15, 13)
    assert all(step.since == at(6) for step in steps)


@pytest.mark.parametrize("groups", ["CNL", "NIL"])
def test_a_cancelled_or_empty_taf_expects_nothing(groups):
    text = "TAF AMD XNOR 120500Z 1206/1306 CNL" if groups == "CNL" else "TAF XNOR 120500Z NIL"
    seen = decode_report(text, received_at=NOW)
    assert isinstance(seen, Forecast)
    assert expected_steps(seen, station=XNOR, latest=None, now=NOW) == ()


def test_without_extremes_the_temperature_is_unknown_for_that_it_stays_is_no_forecast():
    latest = report("METAR XNOR 120505Z 00000KT CAVOK M01/M03 Q1021")
    steps = expected_steps(taf("00000KT CAVOK"), station=XNOR, latest=latest, now=NOW)
    assert steps
    assert {step.facts.values.get("temp_c") for step in steps} == {None}


def test_the_night_cools_along_the_fitted_curve_towards_the_minimum():
    """T(x) = T0 + (TN - T0) x^0.8, fitted on the open hourly reports of data set kewr_hourly_2013 (CC0)."""
    latest = report("METAR XNOR 120500Z 00000KT CAVOK 04/01 Q1021")
    path = AirPath(latest, taf("00000KT CAVOK TNM06/1215Z").temps, NOW)
    assert path.at(at(10)).temp_c == pytest.approx(4 - 10 * 0.5**0.8)
    assert path.at(at(15)).temp_c == -6
    assert path.at(at(17)).temp_c is None
    low, high = path.at(at(10)).temp
    assert high - low == pytest.approx(2 * (0.5 + 1.28 * 0.53 * 5**0.5))


def test_the_dew_point_follows_and_never_passes_the_temperature():
    latest = report("METAR XNOR 120500Z 00000KT CAVOK 04/03 Q1021")
    path = AirPath(latest, taf("00000KT CAVOK TNM06/1215Z").temps, NOW)
    for hour in range(6, 16):
        air = path.at(at(hour))
        assert air.dew_point_c <= air.temp_c
    assert path.at(at(15)).dew_point_c == pytest.approx(-7)


def test_an_old_report_is_no_starting_point():
    latest = report("METAR XNOR 120000Z 00000KT CAVOK 04/03 Q1021")
    assert AirPath(latest, (), NOW).at(NOW).temp_c is None


def test_night_and_snowfall_are_judged_at_the_time_of_the_step():
    forecast = taf("00000KT 2000 SN OVC010 TNM03/1206Z TX01/1212Z")
    steps = {step.begins_at: step.facts.values for step in expected_steps(forecast, station=XNOR, latest=None, now=NOW)}
    assert steps[at(6)]["is_night"] is True
    assert steps[at(11)]["is_night"] is False
    assert steps[at(6)]["snow_intensity"] in {"moderate", "heavy"}


def test_expectations_join_neighbouring_steps_and_quote_the_taf():
    forecast = taf("00000KT 9999 SCT030 TEMPO 1208/1211 2500 -FZDZ OVC006 TNM04/1206Z TX01/1212Z")
    found = expectations(load_rulebook(), expected_steps(forecast, station=XNOR, latest=None, now=NOW))
    (drizzle,) = [item for item in found if item.rule == "freezing-rain-or-drizzle"]
    assert (drizzle.begins_at, drizzle.ends_at) == (at(8), at(11))
    assert drizzle.why.startswith("TAF issued 0500Z gives -FZDZ, visibility 2500 m")
    assert drizzle.why.endswith("(temporary).")


def test_steps_never_overlap_within_one_certainty():
    forecast = taf(
        "00000KT 9999 TEMPO 1208/1214 -SN BECMG 1209/1211 4000 BR FM121300 9999 PROB30 1215/1217 FZFG TX02/1213Z"
    )
    steps = expected_steps(forecast, station=XNOR, latest=None, now=NOW)
    for certainty in Certainty:
        some = [step for step in steps if step.certainty is certainty]
        for earlier, later in zip(some, some[1:], strict=False):
            assert earlier.ends_at <= later.begins_at
            assert earlier.ends_at - earlier.begins_at <= timedelta(hours=30)
