"""Reports found in files as they come. Headings: WMO-No. 386, attachment II-5."""

from __future__ import annotations

from tests.reports.open_data import common_reports, common_tafs
from watcher.reports.split import split_reports


def test_one_line_is_one_report_and_a_line_that_is_none_stays_alone():
    text = "XNOR 120550Z CAVOK\nnot a report\nSPECI XBAY 120557Z FZDZ=\nTAF XNOR 120500Z 1206/1306 CAVOK\n"
    assert list(split_reports(text)) == [
        ("XNOR 120550Z CAVOK", None),
        ("not a report", None),
        ("SPECI XBAY 120557Z FZDZ", "SPECI"),
        ("TAF XNOR 120500Z 1206/1306 CAVOK", "TAF"),
    ]


def test_a_bulletin_gives_its_reports_the_kind_and_joins_wrapped_lines():
    text = "\x01\r\r\n123\r\r\nSANO31 XNOR 120550\r\r\nMETAR\r\r\nXNOR 120550Z 00000KT CAVOK\r\r\n01/M01 Q1021=\r\r\nXBAY 120550Z NIL=\r\r\n\x03"
    assert list(split_reports(text)) == [
        ("XNOR 120550Z 00000KT CAVOK 01/M01 Q1021", "METAR"),
        ("XBAY 120550Z NIL", "METAR"),
    ]


def test_a_wrapped_forecast_is_one_report():
    text = "TAF XNOR 120500Z 1206/1306 CAVOK\n     BECMG 1208/1210 4000 BR\n     TEMPO 1212/1214 SN=\n"
    assert [report for report, _ in split_reports(text)] == [
        "TAF XNOR 120500Z 1206/1306 CAVOK BECMG 1208/1210 4000 BR TEMPO 1212/1214 SN"
    ]


def test_hourly_files_with_a_time_before_each_report():
    text = "2026/01/12 05:50\nXNOR 120550Z CAVOK\n\n2026/01/12 05:50\nXBAY 120550Z CAVOK\n"
    assert [report for report, _ in split_reports(text)] == ["XNOR 120550Z CAVOK", "XBAY 120550Z CAVOK"]


def test_a_file_of_all_the_open_reports_gives_each_of_them():
    texts = [sent.text for sent in common_reports()]
    found = [report for report, _ in split_reports("\n".join(texts))]
    assert len(found) == len(texts)
    assert len(list(split_reports("=\n".join(common_tafs())))) == len(common_tafs())


def test_nothing_gives_nothing():
    assert list(split_reports("\r\n\x00\x01 \n=\n")) == []
