"""IWXXM reports of our own stations: equal to the text beside them, and what happens at the edges of the form."""

from __future__ import annotations

from contextlib import nullcontext
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.iwxxm_writer import NIL, VERSIONS, WEATHER, bulletin, forecast_xml, observation_xml
from watcher.errors import NotIwxxm
from watcher.reports.contract import as_contract
from watcher.reports.decode import decode_report
from watcher.reports.identity import is_made_from_xml, text_hash
from watcher.reports.iwxxm import LONGEST_XML, XmlReport, read_document
from watcher.reports.model import CloudLayer, Forecast, Observation, Unreadable
from watcher.reports.split import split_reports

FOLDER = Path(__file__).parent.parent / "data" / "iwxxm"
SAMPLES = sorted(path.stem for path in FOLDER.glob("*.xml"))
RECEIVED = datetime(2026, 1, 12, 6, 0, tzinfo=UTC)
LONG_AFTER = datetime(2031, 7, 1, tzinfo=UTC)
# Station and field -> why the XML says otherwise than the text beside it.
EXPLAINED = {
    ("XFEL", "temp_c_low"): "a zero without a sign may lie on both sides of zero; the text says 00",
    ("XBAY", "doubts"): "the text cannot say that it is a test",
}


def read_all(body: bytes) -> list[XmlReport]:
    return list(read_document(body, received_at=LONG_AFTER))


def read(xml: str) -> XmlReport:
    (report,) = read_all(xml.encode())
    return report


def observed(text: str, **changes: object) -> Observation:
    """An observation from a text, its values changed."""
    seen = decode_report(text, received_at=RECEIVED, second_reader=False)
    assert isinstance(seen, Observation)
    return seen._replace(**changes)


def seen_in(xml: str) -> Observation:
    found = read(xml).decoded
    assert isinstance(found, Observation)
    return found


SNOW = observed("METAR XNOR 120550Z 04012KT 2000 -SN BR OVC009 M02/M03 Q1002")
SNOW_XML = observation_xml(SNOW)


@pytest.mark.parametrize("name", SAMPLES)
def test_every_sample_says_what_the_text_beside_it_says(name):
    reports = read_all((FOLDER / f"{name}.xml").read_bytes())
    texts = list(split_reports((FOLDER / f"{name}.txt").read_text()))
    assert len(reports) == len(texts)
    for report, (text, kind) in zip(reports, texts, strict=True):
        assert report.observed_at is not None
        near = report.observed_at + timedelta(minutes=5)
        twin = as_contract(decode_report(text, received_at=near, kind=kind, second_reader=False))
        ours = as_contract(report.decoded)
        differ = {field for field in ours if field != "raw" and ours[field] != twin[field]}
        assert {(report.station, field) for field in differ} <= EXPLAINED.keys()
        assert report.kind == kind


def test_the_samples_are_of_all_versions():
    whole = "".join((FOLDER / f"{name}.xml").read_text() for name in SAMPLES)
    assert all(f"http://icao.int/iwxxm/{version}" in whole for version in VERSIONS)


@pytest.mark.parametrize("version", VERSIONS)
def test_a_report_alone_says_the_same_in_every_version(version):
    found = seen_in(observation_xml(SNOW, version))
    assert found._replace(raw="") == SNOW._replace(raw="")


def test_the_date_of_a_report_is_its_own_however_late_it_is_read():
    assert seen_in(SNOW_XML).observed_at == datetime(2026, 1, 12, 5, 50, tzinfo=UTC)


def test_the_text_made_from_xml_says_that_it_is():
    found = seen_in(SNOW_XML)
    assert found.raw == "METAR XNOR 120550Z 04012KT 2000 -SN BR OVC009 M02/M03 Q1002 RMK FROM IWXXM"
    assert is_made_from_xml(found.raw)
    assert not is_made_from_xml(SNOW.raw)


def test_the_same_report_as_text_and_as_xml_is_one_report():
    assert text_hash(seen_in(SNOW_XML).raw) == text_hash(SNOW.raw)


def test_a_wind_in_tenths_of_metres_a_second_is_kept_to_the_tenth():
    xml = SNOW_XML.replace('"[kn_i]">12<', '"m/s">2.6<')
    report = read(xml)
    found = report.decoded
    assert isinstance(found, Observation)
    assert found.wind_kt == 5.1  # 2.6 x 3600 / 1852 = 5.054
    assert found.raw.endswith("RMK FROM IWXXM ROUNDED")
    assert report.kept.startswith("<iwxxm:METAR")
    assert decode_report(report.kept, received_at=LONG_AFTER, second_reader=False) == found
    assert text_hash(found.raw) != text_hash(SNOW.raw)


@pytest.mark.parametrize(
    ("written", "interval", "group"),
    [
        ("-3", (-3.0, -3.5, -2.5), "M03"),
        ("-0", (0.0, -0.5, 0.0), "M00"),
        ("0", (0.0, -0.5, 0.5), "00"),
        ("-3.0", (-3.0, -3.5, -2.5), "M03"),
        ("-3.4", (-3.4, -3.45, -3.35), "M03"),
        ("-2.5", (-2.5, -2.55, -2.45), "M02"),
        ("0.4", (0.4, 0.35, 0.45), "00"),
        ("-0.46", (-0.46, -0.465, -0.455), "M00"),
    ],
)
def test_a_temperature_is_as_wide_as_it_was_written(written, interval, group):
    """Whole degrees leave half a degree to both sides; 2025-2 may give tenths (Annex 3, amendment 82, memory)."""
    found = seen_in(SNOW_XML.replace('"Cel">-3<', '"Cel">-9.0<').replace('"Cel">-2<', f'"Cel">{written}<'))
    assert (found.temp_c, found.temp_c_low, found.temp_c_high) == interval
    assert f" {group}/M09 " in found.raw
    assert str(found.temp_c) != "-0.0"


def test_a_dew_point_in_whole_tenths_beside_a_temperature_in_tenths_is_in_tenths_too():
    found = seen_in(SNOW_XML.replace('"Cel">-2<', '"Cel">-2.4<').replace('"Cel">-3<', '"Cel">-3.0<'))
    assert (found.dew_point_c_low, found.dew_point_c_high) == (-3.05, -2.95)
    assert found.raw.endswith("RMK T10241030 FROM IWXXM")


@pytest.mark.parametrize("reason", ["notObservable", "missing", "withheld"])
def test_weather_that_is_not_known_is_not_fair_weather(reason):
    nil = f'<iwxxm:presentWeather nilReason="{NIL}{reason}"/>'
    clear = SNOW._replace(weather=())
    found = seen_in(observation_xml(clear).replace("<iwxxm:cloud>", f"{nil}<iwxxm:cloud>"))
    assert found.weather == ()
    assert found.weather_observable is False
    assert found.freezing_or_frozen is None


def test_no_weather_of_significance_is_fair_weather():
    nil = f'<iwxxm:presentWeather nilReason="{NIL}nothingOfOperationalSignificance"/>'
    found = seen_in(observation_xml(SNOW._replace(weather=())).replace("<iwxxm:cloud>", f"{nil}<iwxxm:cloud>"))
    assert (found.weather, found.weather_observable, found.freezing_or_frozen) == ((), True, False)


@pytest.mark.parametrize(
    ("code", "may_freeze"), [("FZXX", True), ("Z-SN", True), ("QQ", False), ("", True), ("120550Z", False)]
)
def test_a_weather_code_that_cannot_be_read_is_a_doubt_and_what_may_freeze_never_vanishes(code, may_freeze):
    xml = observation_xml(SNOW._replace(weather=())).replace(
        "<iwxxm:cloud>", f'<iwxxm:presentWeather xlink:href="{WEATHER}{code}"/><iwxxm:cloud>'
    )
    report = read(xml)
    found = report.decoded
    assert isinstance(found, Observation)
    assert found.freezing_or_frozen is (None if may_freeze else False)
    assert found.weather_unread_may_freeze is may_freeze
    assert len(found.doubts) == 1
    assert "not understood" in found.doubts[0]
    assert decode_report(report.kept, received_at=LONG_AFTER, second_reader=False) == found


def test_a_change_of_a_forecast_whose_weather_cannot_be_read_may_freeze():
    taf = decode_report("TAF XNOR 120500Z 1206/1306 04012KT 9999 SCT030 TEMPO 1208/1210 1000 SN", received_at=RECEIVED)
    assert isinstance(taf, Forecast)
    found = read(forecast_xml(taf).replace(f"{WEATHER}SN", f"{WEATHER}FZXX")).decoded
    assert isinstance(found, Forecast)
    assert [period.weather_unread_may_freeze for period in found.periods] == [False, True]
    assert any("may mean something freezing" in doubt for doubt in found.doubts)


def test_a_value_in_a_unit_that_is_not_known_is_left_out_and_said():
    found = seen_in(SNOW_XML.replace('<iwxxm:airTemperature uom="Cel">-2<', '<iwxxm:airTemperature uom="K">271<'))
    assert found.temp_c is None
    assert found.dew_point_c == -3.0
    assert found.doubts == ("temperature 271 K: a unit that is not known, left out",)


@pytest.mark.parametrize("written", ["", "two", "1e999", "-999", "NaN", "9" * 400, "0x10"])
def test_what_is_no_temperature_is_no_temperature(written):
    found = seen_in(SNOW_XML.replace('"Cel">-2<', f'"Cel">{written}<'))
    assert found.temp_c is None
    assert found.doubts


@pytest.mark.parametrize(
    ("unit", "written", "feet", "group"),
    [("[ft_i]", "900", 900, "OVC009"), ("m", "600", 2000, "OVC020"), ("m", "450", 1500, "OVC015"), ("m", "100", 328, "OVC003")],
)  # fmt: skip
def test_a_cloud_base_in_metres_is_in_hundreds_of_feet_where_it_is_in_steps_of_30_m(unit, written, feet, group):
    """WMO-No. 306, code table 1690: each step of 30 m is 100 ft."""
    found = seen_in(SNOW_XML.replace('"[ft_i]">900<', f'"{unit}">{written}<'))
    assert found.clouds == (CloudLayer("OVC", feet),)
    assert f" {group} " in found.raw


@pytest.mark.parametrize(
    ("metres", "operator", "expected", "group"),
    [
        ("10000", "ABOVE", (10000.0, "at_least"), "9999"),
        ("25000", None, (10000.0, "at_least"), "9999"),
        ("1600", "ABOVE", (1600.0, "at_least"), "P1600"),
        ("400", "BELOW", (400.0, "below"), "M0400"),
        ("0", None, (50.0, "below"), "0000"),
    ],
)
def test_a_visibility_keeps_its_bound(metres, operator, expected, group):
    said = f"<iwxxm:prevailingVisibilityOperator>{operator}</iwxxm:prevailingVisibilityOperator>" if operator else ""
    end = "</iwxxm:prevailingVisibility>"
    found = seen_in(SNOW_XML.replace(f">2000{end}", f">{metres}{end}{said}"))
    assert (found.visibility_m, found.visibility_bound) == expected
    assert f" {group} " in found.raw


def test_a_zero_height_of_vertical_visibility_and_one_that_is_missing_are_two_things():
    fog = observed("METAR XNOR 120550Z 00000KT 0200 FZFG VV000 M05/M05 Q1030")
    assert seen_in(observation_xml(fog)).vertical_visibility_ft == 0
    missing = observation_xml(fog).replace('uom="[ft_i]">0<', f'uom="N/A" nilReason="{NIL}notObservable"><')
    assert seen_in(missing).vertical_visibility_ft is None
    assert " VV/// " in seen_in(missing).raw


@pytest.mark.parametrize("reason", ["TEST", "EXERCISE", None])
def test_a_report_that_is_not_operational_can_be_read_but_never_judged(reason):
    given = {"permissibleUsage": "NON-OPERATIONAL"} | ({"permissibleUsageReason": reason} if reason else {})
    xml = observation_xml(observed("METAR XNOR 120550Z 04012KT 0800 +FZRA OVC004 M01/M02 Q0990"), **given)
    report = read(xml)
    assert isinstance(report.decoded, Observation)
    assert report.usage == (reason or "NON-OPERATIONAL")
    assert report.decoded.doubts == (f"marked {report.usage}: it must raise no alert",)
    by_the_one_way = decode_report(xml, received_at=LONG_AFTER)
    assert isinstance(by_the_one_way, Unreadable)
    assert "not operational" in by_the_one_way.error


def test_a_report_that_could_not_be_translated_is_read_from_the_text_inside_it():
    (report,) = (r for r in read_all((FOLDER / "bulletin-2023-1.xml").read_bytes()) if r.station == "XTAR")
    assert report.kept == report.decoded.raw == "METAR XTAR 120620Z 02012KT 3OOO -SN OVC012 M03/M05 Q1009="
    assert isinstance(report.decoded, Observation)
    assert report.decoded.weather == ("-SN",)
    assert report.decoded.doubts == ("3OOO: not understood",)


def test_a_correction_and_an_amendment_are_told_by_the_status_of_the_report():
    assert seen_in(SNOW_XML.replace('"NORMAL"', '"CORRECTION"')).correction == "COR"
    taf = decode_report("TAF XNOR 120500Z 1206/1306 04012KT 9999 SCT030", received_at=RECEIVED)
    assert isinstance(taf, Forecast)
    for status, expected in (("NORMAL", (False, False)), ("AMENDMENT", (True, False)), ("CORRECTION", (False, True))):
        found = read(forecast_xml(taf, reportStatus=status)).decoded
        assert isinstance(found, Forecast)
        assert (found.amendment, found.correction) == expected


def test_a_forecast_to_the_minute_keeps_its_minutes():
    taf = decode_report("TAF XNOR 120500Z 1206/1306 04012KT 9999 SCT030 TEMPO 1208/1210 1000 SN", received_at=RECEIVED)
    assert isinstance(taf, Forecast)
    report = read(forecast_xml(taf).replace("T08:00:00Z", "T08:20:00Z").replace("T06:00:00Z", "T06:40:00Z"))
    found = report.decoded
    assert isinstance(found, Forecast)
    assert found.periods[1].begins_at == datetime(2026, 1, 12, 8, 20, tzinfo=UTC)
    assert found.ends_at == found.periods[0].ends_at == datetime(2026, 1, 13, 6, 40, tzinfo=UTC)
    assert decode_report(report.kept, received_at=LONG_AFTER) == found


@pytest.mark.parametrize("time", ["2026-01-12T24:00:00Z", "2026-01-13T00:00:00Z", "2026-01-13T01:00:00+01:00"])
def test_a_midnight_is_a_midnight_however_it_is_written(time):
    taf = decode_report("TAF XNOR 120500Z 1206/1224 04012KT 9999 SCT030", received_at=RECEIVED)
    assert isinstance(taf, Forecast)
    found = read(forecast_xml(taf).replace("2026-01-13T00:00:00Z", time)).decoded
    assert isinstance(found, Forecast)
    assert found.ends_at == datetime(2026, 1, 13, tzinfo=UTC)
    assert " 1206/1224 " in found.raw


@pytest.mark.parametrize(
    ("old", "new", "error"),
    [
        ("XNOR</aixm", "Northby</aixm", "no station is named"),
        ("2026-01-12T05:50:00Z", "yesterday", "it has no time"),
        ("2026-01-12T05:50:00Z", "2026-01-12T05:50:00", "it has no time"),
        ("icao.int/iwxxm/2023-1", "icao.int/iwxxm/2.1", "IWXXM 2.1 has another layout; 3.0 and later are read"),
        ("http://icao.int/iwxxm/2023-1", "http://example.org/", "METAR of another namespace than IWXXM"),
    ],
)
def test_a_report_that_cannot_be_read_is_shown_as_one_and_the_others_are_read(old, new, error):
    spoilt, whole = read_all(bulletin([SNOW_XML.replace(old, new), SNOW_XML]))
    assert isinstance(spoilt.decoded, Unreadable)
    assert spoilt.decoded.error == error
    assert spoilt.decoded.raw.startswith("METAR ")
    assert spoilt.decoded.raw.endswith(" -2 -3 1002 40 12 2000 -SN BR OVC 900")
    assert "<" not in spoilt.decoded.raw
    assert isinstance(whole.decoded, Observation)
    again = decode_report(spoilt.kept, received_at=LONG_AFTER)
    assert isinstance(again, Unreadable)
    assert again.error == error


@pytest.mark.parametrize("number", ["9" * 5000, "20231", "", "x.0", "-3"])
def test_a_version_that_is_no_number_is_another_layout_and_costs_no_other_report(number):
    spoilt, whole = read_all(bulletin([SNOW_XML.replace("iwxxm/2023-1", f"iwxxm/{number}"), SNOW_XML]))
    assert isinstance(spoilt.decoded, Unreadable)
    assert spoilt.decoded.error == f"IWXXM {number[:20]} has another layout; 3.0 and later are read"
    assert isinstance(whole.decoded, Observation)


@pytest.mark.parametrize("number", ["\u00b2", "\u0663", "3\u00b2", "\u2460-1", "9" * 5000])
def test_a_version_that_no_number_can_be_made_of_is_shown_as_unreadable(number):
    xml = SNOW_XML.replace("iwxxm/2023-1", f"iwxxm/{number}")
    assert isinstance(decode_report(xml, received_at=LONG_AFTER), Unreadable)
    found = []
    # To the XML library it is no URI either: it gives the report, and then refuses the document.
    with pytest.raises(NotIwxxm, match="is not a valid URI") if not number.isascii() else nullcontext():
        found += read_document(xml.encode(), received_at=LONG_AFTER)
    assert all(isinstance(report.decoded, Unreadable) for report in found)


@pytest.mark.parametrize("version", ["3", "3-rc1", "3.0/extension", "9999.1"])
def test_a_number_before_a_point_a_dash_or_the_end_is_a_version(version):
    assert seen_in(SNOW_XML.replace("iwxxm/2023-1", f"iwxxm/{version}")).weather == ("-SN", "BR")


def test_digits_of_another_script_are_no_codes_of_a_runway():
    xml = (FOLDER / "metar-3.0-freezing-rain.xml").read_text()
    assert "R09L/750330" in read(xml).decoded.raw
    assert "R09L/7503//" in read(xml.replace("0-20-089/30", "0-20-089/\u00b2\u0663")).decoded.raw
    named_oddly = read(xml.replace(">09L<", ">\u00b2\u0663L<")).decoded
    assert isinstance(named_oddly, Observation)
    assert named_oddly.raw.isascii()
    assert "WS R" not in named_oddly.raw


def test_a_digit_of_another_script_is_no_state_of_the_sea():
    sea = (
        '<iwxxm:seaCondition><iwxxm:AerodromeSeaCondition><iwxxm:seaSurfaceTemperature uom="Cel">3'
        '</iwxxm:seaSurfaceTemperature><iwxxm:seaState xlink:href="http://codes.wmo.int/bufr4/codeflag/0-22-061/{}"/>'
        "</iwxxm:AerodromeSeaCondition></iwxxm:seaCondition></iwxxm:MeteorologicalAerodromeObservation>"
    )
    end = "</iwxxm:MeteorologicalAerodromeObservation>"
    assert "W03/S4" in seen_in(SNOW_XML.replace(end, sea.format("4"))).raw
    assert "W03/S/" in seen_in(SNOW_XML.replace(end, sea.format("\u00b2"))).raw


def test_a_later_version_is_read_by_its_names():
    assert seen_in(observation_xml(SNOW, "2029-1")).weather == ("-SN", "BR")


@pytest.mark.parametrize(
    ("body", "told"),
    [
        (b"", "it is empty"),
        (b"METAR XNOR 120550Z NIL=", "it is no XML"),
        (b"\x89PNG\r\n", "it is no XML"),
        (b"<!doctype html><html><body>Sign in</body></html>", "it is a web page"),
        (b"<html><head><title>502</title></head></html>", "it is a web page"),
        (b"<response><data/></response>", "no METAR, SPECI or TAF is in it; its root element is response"),
        (b"<a><b></a>", "the XML is not well formed"),
        (SNOW_XML.encode()[:-300], "it ends early"),
        (SNOW_XML.encode("utf-16"), "its encoding is not UTF-8"),
        (b'<?xml version="1.0" encoding="UTF-7"?>' + SNOW_XML.encode(), "its encoding is not UTF-8"),
        (b'<?xml version="1.0" encoding="EBCDIC-CP-US"?>' + SNOW_XML.encode(), "its encoding is not UTF-8"),
        (b'<?xml version="1.0"?>' + SNOW_XML.replace(">XNOR<", ">XN\xd8R<").encode("latin-1"), "the XML is not well formed"),
        (b"<!DOCTYPE x>" + SNOW_XML.encode(), "it declares a DOCTYPE, which no report needs"),
        (b"<!DOCTYPE x [<!ENTITY a 'b'>]>" + SNOW_XML.encode(), "it declares a DOCTYPE"),
        (SNOW_XML.replace("XNOR</aixm", "&a;</aixm").encode(), "the XML is not well formed"),
        (b"<a>" * 3000 + SNOW_XML.encode() + b"</a>" * 3000, "the XML is not well formed"),
    ],
)  # fmt: skip
def test_what_is_no_iwxxm_or_must_not_be_read_is_refused_with_its_reason(body, told):
    with pytest.raises(NotIwxxm) as refused:
        read_all(body)
    assert told in str(refused.value)


def test_a_bulletin_without_a_report_holds_none():
    assert read_all(bulletin([])) == []


def test_xml_longer_than_any_report_is_no_report():
    long = SNOW_XML.replace("<iwxxm:cloud>", "<!--" + "x" * LONGEST_XML + "--><iwxxm:cloud>")
    found = decode_report(long, received_at=LONG_AFTER)
    assert isinstance(found, Unreadable)
    assert "longer than any report" in found.error


def test_several_reports_where_one_should_be_are_no_report():
    found = decode_report(bulletin([SNOW_XML, SNOW_XML]).decode(), received_at=LONG_AFTER)
    assert isinstance(found, Unreadable)
    assert found.error == "2 reports in XML where one should be"
