"""TAFs by WMO-No. 306, FM 51."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from watcher.reports.contract import as_contract
from watcher.reports.decode import decode_report
from watcher.reports.model import Forecast, Unreadable

NEAR = datetime(2026, 1, 12, 5, 10, tzinfo=UTC)


def read(text: str, near: datetime = NEAR) -> Forecast:
    seen = decode_report(text, received_at=near)
    assert isinstance(seen, Forecast), seen
    return seen


def test_the_example_of_annex_3_reads_as_printed():
    """ICAO Annex 3, table A5-1, example A5-1: TAF for YUDO (fictitious)."""
    seen = read(
        "TAF YUDO 151800Z 1600/1618 13005MPS 9000 BKN020 BECMG 1606/1608 SCT015CB BKN020 "
        "TEMPO 1608/1612 17006G12MPS 1000 TSRA SCT010CB BKN020 FM161230 15004MPS 9999 BKN020",
        datetime(2012, 8, 15, 18, 5, tzinfo=UTC),
    )
    assert [(period.change, period.begins_at.hour, period.ends_at.hour) for period in seen.periods] == [
        ("BASE", 0, 12),
        ("BECMG", 6, 8),
        ("TEMPO", 8, 12),
        ("FM", 12, 18),
    ]
    assert seen.periods[2].weather == ("TSRA",)
    assert seen.periods[1].weather is None, "BECMG carries only what changes"
    assert seen.periods[3].begins_at.minute == 30


def test_validity_crosses_the_month_and_hour_24_is_midnight():
    seen = read(
        "TAF XNOR 311100Z 3112/0124 00000KT CAVOK BECMG 3122/3124 4000 BR", datetime(2026, 1, 31, 11, 5, tzinfo=UTC)
    )
    assert (seen.begins_at, seen.ends_at) == (
        datetime(2026, 1, 31, 12, tzinfo=UTC),
        datetime(2026, 2, 2, 0, tzinfo=UTC),
    )
    assert seen.periods[1].ends_at == datetime(2026, 2, 1, 0, tzinfo=UTC)


def test_probability_with_and_without_tempo():
    seen = read("TAF XNOR 120500Z 1206/1306 00000KT 9999 PROB30 TEMPO 1208/1210 -FZDZ PROB40 1212/1214 0400 FZFG")
    assert [(period.change, period.probability) for period in seen.periods[1:]] == [("TEMPO", 30), ("PROB", 40)]


def test_nsw_ends_the_weather_and_cavok_clears_the_sky():
    seen = read("TAF XNOR 120500Z 1206/1306 00000KT 3000 -SN OVC010 BECMG 1208/1210 9999 NSW BECMG 1212/1214 CAVOK")
    assert (seen.periods[1].weather, seen.periods[1].weather_ends) == ((), True)
    assert seen.periods[2].cavok


def test_temperatures_are_dated_within_the_validity():
    seen = read("TAF XNOR 120500Z 1206/1312 00000KT CAVOK TX02/1213Z TNM06/1305Z")
    assert [(temp.kind, temp.temp_c, temp.at.day, temp.at.hour) for temp in seen.temps] == [
        ("max", 2.0, 12, 13),
        ("min", -6.0, 13, 5),
    ]


def test_amended_corrected_cancelled_and_empty():
    assert read("TAF AMD XNOR 120500Z 1206/1306 00000KT CAVOK").amendment
    assert read("TAF COR XNOR 120500Z 1206/1306 00000KT CAVOK").correction
    assert read("TAF AMD XNOR 120500Z 1206/1306 CNL").cancelled
    assert read("TAF XNOR 120500Z NIL").nil


def test_a_group_that_is_two_is_read_and_one_that_cannot_be_read_is_told():
    """WMO-No. 306, FM 51 knows no slash between groups; decoding.md 3: what freezes never vanishes."""
    seen = read(
        "TAF XNOR 120500Z 1206/1306 00000KT 9999 BKN020 TEMPO 1208/1210 -FZRA/PL BKN010 BECMG 1212/1214 XFZDZ "
        "TEMPO 1216/1218 XRAX TEMPO 1220/1222 XFGX"
    )
    assert [period.weather for period in seen.periods] == [(), ("-FZRA", "PL"), None, None, None]
    assert [period.weather_unread_may_freeze for period in seen.periods] == [False, False, True, True, False]
    assert [doubt.split(":")[0] for doubt in seen.doubts] == ["-FZRA/PL", "XFZDZ", "XRAX", "XFGX"]


def test_icing_and_turbulence_aloft_raise_nothing():
    seen = read("TAF XNOR 120500Z 1206/1306 00000KT 9999 BKN020 620258 520004 QNH2960INS")
    assert seen.periods[0].weather == ()
    assert seen.doubts == ()


def test_remarks_between_the_groups_end_with_the_next_group():
    seen = read("TAF XNOR 120500Z 1206/1306 00000KT 9999 RMK FCST BASED ON AUTO OBS TEMPO 1208/1210 -FZDZ")
    assert seen.periods[1].weather == ("-FZDZ",)


def test_the_contract_names():
    seen = as_contract(read("TAF XNOR 120500Z 1206/1306 00000KT 9999 SCT030 PROB30 TEMPO 1208/1210 2000 -FZDZ"))
    assert (seen["from"], seen["until"]) == ("2026-01-12T06:00:00Z", "2026-01-13T06:00:00Z")
    period = seen["periods"][1]
    assert (period["change"], period["probability"], period["weather"]) == ("TEMPO", 30, ["-FZDZ"])


def test_what_is_no_taf_is_said():
    assert isinstance(decode_report("TAF XNOR 120500Z nonsense", received_at=NEAR), Unreadable)
    assert isinstance(decode_report("TAF XNOR 00000KT CAVOK", received_at=NEAR), Unreadable)


@pytest.mark.parametrize("head", ["XNOR", "AMD XNOR", "XNOR AMD"])
@pytest.mark.parametrize("rest", ["1206/1306 CAVOK", "120606 CAVOK", "NIL", "COR 1206/1306 CAVOK"])
def test_a_time_of_issue_without_z_is_taken_with_a_doubt(head, rest):
    """WMO-No. 306, FM 51: YYGGggZ; a METAR without Z is taken so too."""
    seen = read(f"TAF {head} 120500 {rest}")
    assert seen.issued_at == datetime(2026, 1, 12, 5, tzinfo=UTC)
    assert seen.doubts == ("120500: a time without Z",)
    assert seen == replace(read(f"TAF {head} 120500Z {rest}"), raw=seen.raw, doubts=seen.doubts)


@pytest.mark.parametrize(("received", "readable"), [("0459", False), ("0500", True), ("1800", True), ("0600+1", False)])
def test_without_a_time_of_issue_a_forecast_in_force_is_as_old_as_it_can_be(received, readable):
    """ICAO Annex 3, 6.2: issued not earlier than one hour before the beginning of its validity."""
    day = 13 if received.endswith("+1") else 12
    near = datetime(2026, 1, day, int(received[:2]), int(received[2:4]), tzinfo=UTC)
    seen = decode_report("TAF XNOR 1206/1306 00000KT 3000 -FZRA OVC004", received_at=near)
    assert isinstance(seen, Forecast) is readable
    if isinstance(seen, Forecast):
        assert seen.issued_at == datetime(2026, 1, 12, 5, tzinfo=UTC)
        assert (seen.begins_at, seen.ends_at) == (
            datetime(2026, 1, 12, 6, tzinfo=UTC),
            datetime(2026, 1, 13, 6, tzinfo=UTC),
        )
        assert seen.periods[0].weather == ("-FZRA",)
        assert seen.doubts == ("1206/1306: no time of issue before it, taken for an hour before it begins",)


@pytest.mark.parametrize("text", ["AMD XNOR 1206/1306 CAVOK", "COR XNOR 1206/1306 CAVOK", "XNOR 120606 CAVOK"])
def test_an_amendment_or_an_old_form_without_a_time_of_issue_has_no_certain_place(text):
    assert isinstance(decode_report(f"TAF {text}", received_at=NEAR), Unreadable)
