"""A timeband says what was reported, what is expected and where nothing is known."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pandas as pd
import pvlib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.pictures.scenes import NOW, XNOR, Scene, clear_night, freezing_rain, went_blind
from watcher.alerts.model import Episode, Hold, Phase
from watcher.pictures.band import band_of
from watcher.pictures.band_levels import level_spans
from watcher.pictures.band_model import Source
from watcher.pictures.band_nights import night_spans
from watcher.pictures.band_words import sentence
from watcher.reports.station import Station
from watcher.rulebook.words import Certainty, Flag, Kind, Level

HOUR = timedelta(hours=1)


def at(clock: str, day: int = 12) -> datetime:
    return datetime(2026, 1, day, int(clock[:2]), int(clock[2:]), tzinfo=UTC)


def test_a_speci_with_freezing_rain_makes_a_mark_at_its_minute():
    scene = Scene().metar(at("0420"), "14006KT 9999 OVC008 M01/M02 Q1002")
    scene.metar(at("0437"), "14006KT 3000 -FZRA OVC008 M01/M02 Q1002", "SPECI")
    observed = [item for item in scene.band().weather if item.certainty is None]
    assert [(item.codes, item.begins_at, item.ends_at) for item in observed] == [(("-FZRA",), at("0437"), NOW)]


def test_the_same_weather_in_several_reports_is_one_span():
    scene = Scene()
    for clock in ("0220", "0250", "0320"):
        scene.metar(at(clock), "14006KT 3000 -SN OVC008 M01/M02 Q1002")
    scene.metar(at("0350"), "14006KT 9999 OVC008 M01/M02 Q1002")
    assert [(item.begins_at, item.ends_at) for item in scene.band().weather] == [(at("0220"), at("0350"))]


def test_vicinity_and_mist_are_no_precipitation_and_an_unwatched_sky_is_not_dry():
    scene = Scene().metar(at("0350"), "14006KT 3000 VCSH BR OVC008 M01/M02 Q1002")
    scene.metar(at("0420"), "AUTO 14006KT 3000 // OVC008 M01/M02 Q1002")
    assert [(item.codes, item.begins_at) for item in scene.band().weather] == [(("//",), at("0420"))]


def test_what_the_taf_gives_carries_its_certainty_and_begins_now():
    scene = Scene().metar(at("0450"), "14006KT 9999 OVC008 M01/M02 Q1002")
    scene.taf(
        "1118/1218 14006KT 3000 -SN OVC008 TEMPO 1206/1209 1000 SN PROB30 1210/1212 0500 +SN PROB40 TEMPO 1213/1215 FZRA"
    )
    expected = [(item.codes, item.certainty, item.begins_at, item.ends_at) for item in scene.band().weather]
    assert expected == [
        (("-SN",), Certainty.PREVAILING, NOW, at("1800")),
        (("SN",), Certainty.TEMPORARY, at("0600"), at("0900")),
        (("+SN",), Certainty.PROBABILITY_30, at("1000"), at("1200")),
        (("FZRA",), Certainty.PROBABILITY_40_TEMPORARY, at("1300"), at("1500")),
    ]


def test_becoming_goes_on_as_what_prevails():
    scene = Scene().taf("1118/1218 14006KT 9999 OVC020 BECMG 1206/1208 2000 SN")
    (snow,) = scene.band().weather
    assert (snow.begins_at, snow.ends_at, snow.certainty) == (at("0600"), at("1800"), Certainty.PREVAILING)


def test_a_gap_between_reports_is_blind_and_so_is_the_time_since_the_last_one():
    band = went_blind().band()
    evening, present = band.blind
    assert (evening.begins_at, evening.ends_at) == (at("1950", 11), at("2250", 11))
    assert (present.begins_at, present.ends_at) == (at("0320"), None)
    assert band.is_blind
    assert "blind since 0320Z" in sentence(band, NOW)


def test_an_hourly_station_is_not_blind_between_its_reports():
    scene = Scene()
    for hour in range(18, 29):
        scene.metar(at("0000", 11) + hour * HOUR, "14006KT 9999 OVC020 M01/M02 Q1002")
    assert scene.band().blind == ()


def test_an_unknown_temperature_stays_unknown():
    scene = (
        Scene()
        .metar(at("0420"), "14006KT 9999 OVC008 M01/M02 Q1002")
        .metar(at("0450"), "14006KT 9999 OVC008 ///// Q1002")
    )
    last = scene.band().past[-1]
    assert (last.temp_c, last.frost_point_c) == (None, None)


def test_the_frost_point_is_that_of_published_tables():
    # psychrolib (MIT, ASHRAE Handbook of Fundamentals 2017): the temperature at which ice is saturated at the vapour
    # pressure of a dew point over water.
    import psychrolib

    psychrolib.SetUnitSystem(psychrolib.SI)
    scene = Scene().metar(at("0450"), "14006KT 9999 OVC008 M05/M10 Q1002")
    frost_point_c = scene.band().past[-1].frost_point_c
    # Over water at -10 °C: 286.3 Pa (Smithsonian Meteorological Tables, 6th edition, table 94; memory).
    assert psychrolib.GetSatVapPres(frost_point_c) == pytest.approx(286.3, rel=0.004)


def test_without_a_position_the_nights_are_not_known():
    assert Scene(Station("XQQQ")).band().nights is None


def test_nothing_is_expected_where_neither_a_frost_forecast_nor_a_taf_says_anything():
    scene = Scene().metar(at("0450"), "14006KT 9999 OVC008 M01/M02 Q1002").taf("1118/1218 14006KT 9999 OVC020")
    assert scene.band().expected == ()


def test_without_a_frost_forecast_the_temperatures_of_the_taf_lead_on_and_end_with_the_last_of_them():
    scene = Scene().metar(at("0450"), "14006KT 9999 OVC008 M01/M02 Q1002")
    scene.taf("1118/1218 14006KT 9999 OVC020 TX02/1213Z TNM03/1206Z")
    expected = scene.band().expected
    assert {point.source for point in expected} == {Source.TAF}
    assert (expected[-1].at, expected[-1].temp_c) == (at("1300"), 2.0)
    assert all(point.skin_low_c is None and point.p_active_frost is None for point in expected)


def test_the_frost_forecast_gives_the_skin_and_the_chance_of_its_worst_part():
    scene = clear_night()
    band, worst = scene.band(), scene.view.night.worst
    by_time = {point.at: point for point in band.expected if point.source is Source.NIGHT}
    assert len(by_time) > 20
    for step in worst.steps:
        if step.at in by_time:
            point = by_time[step.at]
            assert (point.temp_c, point.frost_point_c) == (step.temp_c.p50, step.frost_point_c.p50)
            assert (point.skin_low_c, point.skin_high_c) == (step.skin_c.p10, step.skin_c.p90)
            assert point.p_active_frost == step.p_active_frost
    assert band.joined


def test_a_forecast_that_rests_on_an_older_report_is_not_joined_to_the_newer_one():
    scene = clear_night()
    night = replace(scene.view.night, observed_at=scene.view.night.observed_at - HOUR)
    view = replace(scene.view, night=night)
    assert not band_of(view, scene.past, (), scene.policy, NOW).joined


def test_without_past_reports_the_history_of_the_view_gives_its_temperatures():
    scene = freezing_rain()
    band = band_of(scene.view, (), (), scene.policy, NOW)
    assert len(band.past) > 20
    assert band.past[-1].frost_point_c is not None
    assert all(point.frost_point_c is None for point in band.past[:-1])


def test_levels_are_observed_until_now_and_expected_from_there():
    levels = freezing_rain().band().levels
    open_ones = [span for span in levels if span.ends_at is None]
    assert any(span.level is Level.NO_TIME and span.kind is Kind.OBSERVED for span in open_ones)
    assert all(span.kind is Kind.OBSERVED for span in open_ones)
    assert any(span.kind is Kind.EXPECTED and span.certainty is Certainty.PREVAILING for span in levels)


def _episode(**changes: object) -> Episode:
    episode = Episode(
        "XNOR", 1, Flag.SNOW, Kind.OBSERVED, Level.TREAT, Phase.PRESENT, at("0000"), at("0300"), at("0000")
    )
    return replace(episode, **changes)


def test_an_episode_rises_where_its_rules_took_hold():
    holds = (
        Hold("light", Level.PREPARE, None, at("0000"), at("0400"), confirmed=True),
        Hold("heavy", Level.TREAT, None, at("0300"), at("0400"), confirmed=True),
        Hold("not-yet", Level.NO_TIME, None, at("0400"), at("0400")),
    )
    spans = level_spans([_episode(holds=holds)], at("1600", 11), at("0000", 13))
    assert [(span.level, span.begins_at, span.ends_at) for span in spans] == [
        (Level.PREPARE, at("0000"), at("0300")),
        (Level.TREAT, at("0300"), None),
    ]


def test_what_people_were_not_told_of_and_what_lies_outside_is_not_shown():
    untold = _episode(opened_at=None)
    long_ago = _episode(began_at=at("0000", 10), ended_at=at("0100", 10), phase=Phase.ENDED)
    ended = _episode(began_at=at("1000", 11), ended_at=at("2000", 11), phase=Phase.ENDED)
    spans = level_spans([untold, long_ago, ended], at("1600", 11), at("0000", 13))
    assert [(span.begins_at, span.ends_at) for span in spans] == [(at("1600", 11), at("2000", 11))]


@settings(max_examples=40, deadline=None)
@given(
    st.floats(-89, 89),
    st.floats(-180, 180),
    st.datetimes(min_value=datetime(2024, 1, 1), max_value=datetime(2030, 1, 1)),
)
def test_the_nights_are_those_of_another_sun(latitude, longitude, begin):
    # pvlib (BSD-3), NREL solar position algorithm; 0.833 degrees below the horizon: upper limb with refraction.
    begin = begin.replace(tzinfo=UTC, second=0, microsecond=0)
    nights = night_spans(Station("XNOR", None, None, latitude, longitude), begin, begin + 33 * HOUR)
    times = pd.date_range(begin, begin + 33 * HOUR, freq="20min")
    elevations = pvlib.solarposition.spa_python(times, latitude, longitude)["elevation"]
    for time, elevation in zip(times, elevations, strict=True):
        # Half a degree is the sun's way in two to four minutes at middle latitudes.
        if abs(elevation + 0.833) > 0.5:
            inside = any(span.begins_at <= time <= span.ends_at for span in nights)
            assert inside == (elevation < -0.833), (time, elevation)


def test_the_sentence_names_what_stands_and_what_is_to_come():
    said = sentence(freezing_rain().band(), NOW)
    assert said.startswith(
        "XFEL, 1709Z to 2309Z: air -1 °C at 0450Z, frost point -2 °C, no-time since 0420Z, treat expected"
    )
    assert "-FZRA expected 0509Z to 0900Z (prevailing)" in said


def test_the_sentence_of_a_station_of_which_nothing_is_known_says_so():
    assert sentence(Scene(XNOR).band(), NOW) == "XNOR, 1709Z to 2309Z: nothing known"
