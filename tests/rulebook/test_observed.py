"""The facts of a report: known where it says so, unknown where it cannot, and nothing in between."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from watcher.reports.decode import decode_report
from watcher.reports.model import Observation
from watcher.reports.station import Station
from watcher.rulebook.facts import FACTS_BY_NAME, Facts
from watcher.rulebook.observed import moment_of, observed_facts

XNOR = Station("XNOR", "Northby", None, 60.20, 11.10, 210.0, "Europe/Oslo")
NOW = datetime(2026, 1, 12, 6, 5, tzinfo=UTC)


def seen(text: str) -> Observation:
    decoded = decode_report(text, received_at=NOW)
    assert isinstance(decoded, Observation), decoded
    return decoded


def facts(body: str, *before: str, station: Station = XNOR) -> Facts:
    history = [moment_of(seen(text)) for text in before]
    return observed_facts(seen(f"METAR XNOR 120550Z {body}"), station=station, history=history, now=NOW)


def test_every_value_has_a_row_in_the_table_of_facts():
    values = facts("AUTO 16004G15KT 3000 -SN BR OVC010 M01/M02 Q1011 RESN RMK AO2 I1001 4/012").values
    assert values.keys() <= FACTS_BY_NAME.keys()


def test_frost_point_spread_and_intervals():
    made = facts("00000KT CAVOK M05/M08 Q1021")
    assert made.values["frost_point_c"] == pytest.approx(-7.09, abs=0.03)
    assert made.values["spread_c"] == 3.0
    assert made.intervals["spread_c"] == (2.0, 4.0)
    assert made.intervals["temp_c"] == (-5.5, -4.5)


def test_a_missing_dew_point_leaves_humidity_unknown():
    made = facts("00000KT CAVOK M05/// Q1021")
    assert made.values["dew_point_c"] is None
    assert "frost_point_c" not in made.values
    assert "spread_c" not in made.values


def test_whether_the_temperature_is_known():
    assert facts("00000KT CAVOK M05/M08 Q1021").values["temperature_known"] is True
    assert facts("00000KT CAVOK M05/// Q1021").values["temperature_known"] is True
    assert facts("00000KT CAVOK ///// Q1021").values["temperature_known"] is False


def test_no_weather_is_an_empty_set_and_unknown_weather_is_unknown():
    assert facts("00000KT 9999 OVC010 M01/M02 Q1021").values["weather"] == frozenset()
    assert facts("AUTO 00000KT 9999 // OVC010 M01/M02 Q1021").values["weather"] is None
    blind = facts("AUTO 00000KT 5SM BR OVC010 M01/M02 A2990 RMK AO2 FZRANO").values
    assert blind["weather"] == frozenset({"BR", "FZ//"})
    assert blind["freezing_precipitation"] is None


def test_a_freezing_rain_sensor_that_is_off_hides_freezing_rain_and_nothing_else():
    made = facts("AUTO 00000KT 5SM -SN BR OVC010 M01/M02 A2990 RMK AO2 FZRANO").values
    assert (made["freezing_precipitation"], made["frozen_precipitation"]) == (None, True)
    made = facts("AUTO 00000KT 5SM OVC010 M01/M02 A2990 RMK AO2 FZRANO").values
    assert (made["freezing_precipitation"], made["frozen_precipitation"], made["snow_intensity"]) == (
        None,
        False,
        "none",
    )
    assert facts("AUTO 00000KT 5SM OVC010 08/02 A2990 RMK AO2 FZRANO").values["freezing_precipitation"] is False


@pytest.mark.parametrize("remark", ["RMK AO2 PWINO", "RMK AO1"])
def test_a_station_that_tells_no_precipitation_leaves_all_of_it_unknown(remark):
    """FMH-1: PWINO, the present-weather sensor is off; AO1, a station without one that tells rain from snow."""
    report = f"AUTO 00000KT 5SM OVC010 M01/M02 A2990 {remark}"
    made = facts(report).values
    assert (made["freezing_precipitation"], made["frozen_precipitation"], made["snow_intensity"]) == (None, None, None)
    assert moment_of(seen(f"METAR XNOR 120550Z {report}")).precipitation is None
    assert facts("00000KT 5SM OVC010 M01/M02 A2990 RMK AO1").values["frozen_precipitation"] is False, (
        "an observer is there"
    )


def test_a_group_that_cannot_be_read_and_may_freeze_leaves_more_unknown_than_a_sensor_that_is_off():
    made = facts("AUTO 00000KT 5SM SNX OVC010 M01/M02 A2990 RMK AO2 FZRANO").values
    assert made["frozen_precipitation"] is None


def test_a_group_that_cannot_be_read_beside_snow_leaves_freezing_rain_unknown():
    made = facts("00000KT 5000 -SN -FZRX OVC010 M01/M02 Q1021").values
    assert made["weather_unread_may_freeze"] is True
    assert (made["frozen_precipitation"], made["freezing_precipitation"]) == (True, None)
    made = facts("00000KT 5000 -SN OVC010 M01/M02 Q1021").values
    assert (made["weather_unread_may_freeze"], made["freezing_precipitation"]) == (False, False)


def test_snowfall_needs_snow_visibility_and_temperature():
    assert facts("00000KT 9999 OVC010 M01/M02 Q1021").values["snow_intensity"] == "none"
    assert facts("00000KT 2000 -SN OVC010 M05/M06 Q1021").values["snow_intensity"] == "moderate"
    assert facts("00000KT //// -SN OVC010 M05/M06 Q1021").values["snow_intensity"] is None
    assert facts("AUTO 00000KT 2000 // OVC010 M05/M06 Q1021").values["snow_intensity"] is None
    assert facts("00000KT 2000 BLSN OVC010 M05/M06 Q1021").values["snow_intensity"] == "none"


def test_day_and_night_need_a_position():
    assert facts("00000KT CAVOK M01/M02 Q1021").values["is_night"] is True
    assert "is_night" not in facts("00000KT CAVOK M01/M02 Q1021", station=Station("XNOR")).values


def test_the_past_says_whether_it_was_wet():
    rain = "METAR XNOR 120450Z 00000KT 5000 RA OVC010 02/01 Q1011"
    made = facts("00000KT 9999 OVC010 M00/M01 Q1021", rain).values
    assert (made["wet_since_freezing"], made["precipitation_last_h"]) == (True, True)
    dry = "METAR XNOR 120450Z 00000KT 9999 OVC010 02/01 Q1011"
    made = facts("00000KT 9999 OVC010 M00/M01 Q1021", dry).values
    assert (made["wet_since_freezing"], made["precipitation_last_h"]) == (False, False)
    made = facts("00000KT 9999 OVC010 M00/M01 Q1021").values
    assert (made["wet_since_freezing"], made["precipitation_last_h"]) == (None, None)


DRY = "METAR XNOR 120450Z 00000KT 9999 OVC040 M01/M03 Q1006"


@pytest.mark.parametrize(
    ("body", "fell"),
    [
        ("00000KT 9999 OVC040 M01/M03 Q1006 REFZRA", True),
        ("00000KT 10SM OVC040 M01/M03 A2992 RMK AO2 FZRAB05E45", True),
        ("00000KT 10SM OVC040 M01/M03 A2992 RMK AO2 UPB05E20", True),
        ("00000KT 10SM OVC040 M01/M03 A2992 RMK AO2 SNE0430", False),
        ("00000KT 9999 OVC040 M01/M03 Q1006 REBLSN", False),
        ("00000KT 9999 OVC040 M01/M03 Q1006 RETS", False),
    ],
)
def test_what_fell_between_two_reports_has_fallen_within_the_hour(body, fell):
    assert facts(body, DRY).values["precipitation_last_h"] is fell


def test_rain_between_two_reports_leaves_water_for_three_hours():
    rain = "METAR XNOR 120350Z 00000KT 9999 OVC010 01/M01 Q1011 RERA"
    assert facts("00000KT 9999 OVC010 M01/M03 Q1011", rain, DRY).values["wet_since_freezing"] is True
    melted = "METAR XNOR 120350Z 00000KT 9999 OVC010 01/M01 Q1011 RESN"
    assert facts("00000KT 9999 OVC010 M01/M03 Q1011", melted, DRY).values["wet_since_freezing"] is True
    frozen = "METAR XNOR 120350Z 00000KT 9999 OVC010 M01/M03 Q1011 RESN"
    assert facts("00000KT 9999 OVC010 M01/M03 Q1011", frozen, DRY).values["wet_since_freezing"] is False


@pytest.mark.parametrize(("minute", "fell"), [("50", True), ("49", True), ("35", True), ("34", None)])
def test_what_fell_counts_as_long_as_what_did_not(minute, fell):
    """Reports of every hour come a minute or more late; what the last one says is the past hour's."""
    snow = f"METAR XNOR 1204{minute}Z 00000KT 5000 -SN OVC040 M01/M03 Q1006"
    assert facts("00000KT 9999 OVC040 M01/M03 Q1006", snow).values["precipitation_last_h"] is fell


def test_how_long_it_has_been_cold():
    past = [
        f"METAR XNOR 12{hour:02d}50Z 00000KT CAVOK {temp}/M09 Q1021"
        for hour, temp in ((2, "01"), (3, "M01"), (4, "M02"))
    ]
    assert facts("00000KT CAVOK M03/M09 Q1021", *past).values["hours_below_zero"] == 2.0
    assert facts("00000KT CAVOK 03/M09 Q1021", *past).values["hours_below_zero"] == 0.0


def test_recent_weather_comes_from_the_report_and_its_remarks():
    made = facts("AUTO 00000KT 10SM CLR M01/M02 A2990 RERA RMK AO2 SNE32 FZDZB0402E0440")
    assert made.values["recent_weather"] == frozenset({"RA", "SN"})


def test_ceiling_and_cover():
    assert facts("00000KT 9999 FEW004 BKN012 OVC030 M01/M02 Q1021").values["ceiling_ft"] == 1200
    assert facts("00000KT 0400 FZFG VV002 M01/M02 Q1021").values["cloud_cover"] == "VV"
    assert facts("00000KT CAVOK M01/M02 Q1021").values["cloud_cover"] == "CLR"
    assert facts("AUTO 00000KT 9999 ////// M01/M02 Q1021").values.get("cloud_cover") is None


def test_the_age_of_the_report():
    assert facts("00000KT CAVOK M01/M02 Q1021").values["report_age_min"] == 15.0
    assert moment_of(seen("SPECI XNOR 120557Z 00000KT CAVOK M01/M02 Q1021")).routine is False
    assert NOW - seen("METAR XNOR 120550Z 00000KT CAVOK M01/M02 Q1021").observed_at == timedelta(minutes=15)
