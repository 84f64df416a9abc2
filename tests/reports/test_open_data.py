"""The decoder against the aviation centre's own decoded columns, python-metar, and a second TAF reader, on real reports."""

from __future__ import annotations

import warnings
from collections import Counter
from datetime import UTC, datetime, timedelta

import pytest
from metar.Metar import Metar
from metar_taf_parser.parser.parser import TAFParser

from tests.reports.open_data import FOLDER, cache_columns, common_reports, common_tafs, edge_cases
from watcher.reports.decode import decode_report
from watcher.reports.identity import normalise
from watcher.reports.model import Forecast, Observation, Unreadable
from watcher.reports.split import split_reports
from watcher.reports.weather import parse_weather

# station -> value -> why the column and we differ. Column and text stand in the open data; known slips of the columns.
COLUMN_SLIPS = {
    ("LIRQ", "temp_c"): "the column took R05/0500/ (runway visual range) for the temperature; the text says 07/07",
    ("LIRQ", "dewpoint_c"): "lost with the temperature",
    ("FAOB", "temp_c"): "the column lost 23///, a temperature without a dew point",
    ("FNUB", "temp_c"): "the column lost 20///, a temperature without a dew point",
    (
        "UAKD",
        "dewpoint_c",
    ): "M17/M11 has the dew point 6 K above the temperature: refused here as read from a wrong group",
    ("OYMK", "dewpoint_c"): "18/21 has the dew point 3 K above the temperature: refused here",
}
NO_REPORTS = {"UTO8", "KNMT"}  # `UTO8 M M M 143/-16` and `KNMT 1218 DH0700/PPH M` are no METARs


def number(text):
    return float(text) if text else None


@pytest.fixture(scope="module")
def decoded_cache():
    rows = []
    for row in cache_columns():
        at = datetime.fromisoformat(row["observation_time"])
        rows.append((row, decode_report(row["raw_text"], received_at=at + timedelta(minutes=6), second_reader=False)))
    return rows


def test_every_temperature_and_dew_point_is_that_of_the_column_save_its_known_slips(decoded_cache):
    differ = {}
    for row, seen in decoded_cache:
        if isinstance(seen, Unreadable):
            assert row["station_id"] in NO_REPORTS
            continue
        for column, ours in (("temp_c", seen.temp_c), ("dewpoint_c", seen.dew_point_c)):
            if number(row[column]) != ours:
                differ[row["station_id"], column] = (row[column], ours, row["raw_text"])
    assert differ.keys() == COLUMN_SLIPS.keys()


def test_every_freezing_and_frozen_group_is_that_of_the_column(decoded_cache):
    frozen = {"SN", "SG", "IC", "PL", "GR", "GS", "UP"}

    def codes(texts):
        groups = [group for text in texts if (group := parse_weather(text)) and not group.vicinity]
        return Counter(
            ("FZ" in group.descriptors, code)
            for group in groups
            for code in group.phenomena
            if code in frozen or "FZ" in group.descriptors
        )

    compared = 0
    for row, seen in decoded_cache:
        if isinstance(seen, Observation):
            theirs = codes(row["wx_string"].split())
            assert codes(seen.weather) == theirs, row["raw_text"]
            compared += bool(theirs)
    assert compared >= 245, "248 reports of the set have such a group"


def test_wind_and_visibility_are_those_of_the_columns(decoded_cache):
    for row, seen in decoded_cache:
        if not isinstance(seen, Observation) or row["station_id"] == "OPNH":
            continue  # OPNH: `2200M` and `Q.1020` have no certain reading; both stay unknown with a doubt
        wind, miles = number(row["wind_speed_kt"]), number(row["visibility_statute_mi"])
        if wind is not None:
            assert seen.wind_kt == pytest.approx(wind, abs=1.0), row["raw_text"]
        if miles is not None:
            assert seen.visibility_m == pytest.approx(miles * 1609.344, rel=0.03, abs=80), row["raw_text"]


def test_times_are_those_of_the_column(decoded_cache):
    for row, seen in decoded_cache:
        if isinstance(seen, Observation):
            assert seen.observed_at == datetime.fromisoformat(row["observation_time"])


def test_python_metar_agrees_on_nearly_every_report_and_the_rest_is_said():
    """python-metar (BSD) on all 9,901: where both give a temperature or dew point, they are equal, or a doubt says so."""
    compared = 0
    for sent in common_reports():
        seen = decode_report(sent.text, received_at=sent.received_at)
        if not isinstance(seen, Observation):
            continue
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            theirs = Metar(normalise(sent.text), month=seen.observed_at.month, year=seen.observed_at.year, strict=False)
        for name, ours, value in (
            ("temperature", seen.temp_c, theirs.temp),
            ("dew point", seen.dew_point_c, theirs.dewpt),
        ):
            if ours is None or value is None:
                continue
            compared += 1
            if abs(ours - value.value("C")) > 0.06:
                assert any(doubt.startswith(name) for doubt in seen.doubts), sent.text
    assert compared > 19_000


def test_few_real_reports_are_doubtful():
    doubtful = sum(
        bool(seen.doubts)
        for sent in common_reports()
        if isinstance(seen := decode_report(sent.text, received_at=sent.received_at), Observation)
    )
    assert doubtful < 60, "of 9,901; a doubt that everybody has says nothing"


# Groups on which the two readers differ, and why.
TAF_SLIPS = {
    "INTER": "an old word for TEMPO that the second reader does not know",
    "FM256300": "hour 63 does not exist: 15Z for the second reader, a doubt and the whole period for us",
    "BECMG 2423/2224": "it ends before it begins: the second reader takes it, we say a doubt",
}


def test_a_second_taf_reader_sees_the_same_periods():
    """metar-taf-parser-mivek (MIT) as second opinion on validity and on the beginnings of TEMPO, BECMG and FM groups."""
    compared = 0
    for text in common_tafs():
        seen = decode_report(text, received_at=_near(text), kind="TAF")
        try:
            theirs = TAFParser().parse(text if text.startswith("TAF") else f"TAF {text}")
        except Exception:
            continue
        if not isinstance(seen, Forecast) or seen.begins_at is None or getattr(theirs, "_validity", None) is None:
            continue
        validity = theirs.validity
        assert (seen.begins_at.day, seen.begins_at.hour) == _whole(validity.start_day, validity.start_hour), text
        trends = [trend for trend in theirs.trends if getattr(trend, "_validity", None) is not None]
        others = Counter(
            (trend.type.name, trend.validity.start_hour % 24)
            for trend in trends
            if trend.type.name in {"TEMPO", "BECMG", "FM"}
        )
        ours = Counter(
            (period.change, period.begins_at.hour) for period in seen.periods if period.change not in {"BASE", "PROB"}
        )
        if not any(slip in text for slip in TAF_SLIPS):
            assert others <= ours, text
        compared += 1
    assert compared >= 55


def _whole(day: int, hour: int) -> tuple[int, int]:
    return (day + 1, 0) if hour == 24 else (day, hour)


def _near(text: str) -> datetime:
    import re

    match = re.search(r"\b(\d{2})(\d{2})(\d{2})Z", text)
    if match is None:
        return datetime(2026, 1, 12, tzinfo=UTC)
    return datetime(2026, 1, int(match[1]), int(match[2]) % 24, int(match[3]), tzinfo=UTC) + timedelta(minutes=10)


def test_no_edge_case_of_other_parsers_raises_and_invariants_hold():
    for kind, text in edge_cases():
        seen = decode_report(text, received_at=_near(text), kind=kind)
        if isinstance(seen, Observation):
            check_invariants(seen)


def check_invariants(seen: Observation) -> None:
    for nominal, low, high in (
        (seen.temp_c, seen.temp_c_low, seen.temp_c_high),
        (seen.dew_point_c, seen.dew_point_c_low, seen.dew_point_c_high),
    ):
        assert (nominal is None) == (low is None) == (high is None)
        if nominal is not None:
            assert low <= nominal <= high
            assert -80 <= nominal <= 60
    if seen.temp_c is not None and seen.dew_point_c is not None:
        assert seen.dew_point_c <= seen.temp_c + 1
    assert seen.visibility_m is None or seen.visibility_m >= 0
    if any(group.freezes for text in seen.weather if (group := parse_weather(text))):
        assert seen.freezing_or_frozen is True


# Texts of the bulletins that are no reports of today's form, and why.
OLD_FORMS = {
    "METAR-collective.txt": 2,  # O81354Z with a letter for the zero; a station 1QQQ that begins with a digit
    "METAR-sa.txt": 4,  # hourly forms of three-letter stations from before METAR
    "TAF-TAFTOP.txt": 1,  # a three-letter station
    "TAF-TAF_EGRR.txt": 8,  # TAFs of the form before 2008: a validity 011206 and no time of issue
    "TAF-TAF_amd.txt": 1,  # the same, amended
}


def test_every_report_of_the_real_bulletins_is_read_or_said_to_be_unreadable():
    """WMO bulletins with headings, control characters and wrapped lines (pyIEM's product examples, MIT)."""
    unreadable, read = Counter(), 0
    for path in sorted((FOLDER / "bulletins").glob("*.txt")):
        text = path.read_bytes().decode("utf-8", "replace")
        for report, kind in split_reports(text):
            seen = decode_report(report, received_at=_near(report), kind=kind)
            if isinstance(seen, Unreadable):
                unreadable[path.name] += 1
            else:
                read += 1
    assert unreadable == OLD_FORMS
    assert read >= 80
