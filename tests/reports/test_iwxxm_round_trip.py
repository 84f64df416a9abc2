"""What a text says survives being written as IWXXM and read again, in every version: values, identity, and what is kept."""

from __future__ import annotations

from datetime import UTC, datetime

from hypothesis import assume, given
from hypothesis import strategies as st

from tests.iwxxm_writer import VERSIONS, bulletin, forecast_xml, observation_xml
from tests.reports.report_texts import metars, tafs
from watcher.reports.decode import decode_report
from watcher.reports.identity import text_hash
from watcher.reports.iwxxm import XmlReport, read_document
from watcher.reports.model import Forecast, Observation

RECEIVED = datetime(2026, 1, 12, 6, 0, tzinfo=UTC)
LONG_AFTER = datetime(2031, 7, 1, tzinfo=UTC)


def read(xml: str) -> XmlReport:
    (report,) = read_document(bulletin([xml]), received_at=LONG_AFTER)
    return report


def again(report: XmlReport) -> object:
    return decode_report(
        report.kept, received_at=LONG_AFTER, kind=report.kind, observed_at=report.observed_at, second_reader=False
    )


@given(metars(), st.sampled_from(VERSIONS))
def test_an_observation_says_the_same_as_text_and_as_xml(text, version):
    seen = decode_report(text, received_at=RECEIVED, second_reader=False)
    assert isinstance(seen, Observation)
    report = read(observation_xml(seen, version))
    found = report.decoded
    assert isinstance(found, Observation)
    # XML says outright that the weather is not known; a text that says nothing leaves a doubt.
    doubts = tuple(doubt for doubt in seen.doubts if doubt != "weather: not known, as visibility and cloud")
    assert found._replace(raw="", source=None) == seen._replace(raw="", doubts=doubts)
    assert again(report) == found


@given(tafs(), st.sampled_from(VERSIONS))
def test_a_forecast_says_the_same_as_text_and_as_xml(text, version):
    seen = decode_report(text, received_at=RECEIVED)
    assert isinstance(seen, Forecast)
    report = read(forecast_xml(seen, version))
    found = report.decoded
    assert isinstance(found, Forecast)
    for field in Forecast.__slots__:
        if field not in {"raw", "source"}:
            assert getattr(found, field) == getattr(seen, field), field
    assert again(report) == found


@given(metars().filter(lambda text: "MPS" not in text and "0000 " not in text))
def test_the_text_made_from_xml_is_the_text_itself_but_for_its_mark(text):
    seen = decode_report(text, received_at=RECEIVED, second_reader=False)
    assert isinstance(seen, Observation)
    # Where neither visibility nor cloud is known, XML says of the weather too that it is not; the text leaves it out.
    assume(seen.weather_observable or " // " in text)
    report = read(observation_xml(seen))
    assert report.kept.endswith(" FROM IWXXM")
    assert text_hash(report.kept) == text_hash(text)


@given(st.lists(metars() | tafs(), min_size=1, max_size=8))
def test_a_bulletin_gives_what_its_reports_give_alone(texts):
    decoded = [decode_report(text, received_at=RECEIVED, second_reader=False) for text in texts]
    xmls = [observation_xml(each) if isinstance(each, Observation) else forecast_xml(each) for each in decoded]
    together = list(read_document(bulletin(xmls), received_at=LONG_AFTER))
    assert together == [read(xml) for xml in xmls]
