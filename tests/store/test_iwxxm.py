"""What is kept of an IWXXM report comes back as it was judged: as text, or as XML where the text says less."""

from __future__ import annotations

from datetime import timedelta
from tempfile import TemporaryDirectory

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.alerts.scenes import at
from tests.chosen import database_of_an_example
from tests.iwxxm_writer import forecast_xml, observation_xml
from tests.store.test_load import Night, stored
from watcher.feeds.iwxxm import read_iwxxm
from watcher.reports.decode import decode_report
from watcher.reports.model import Forecast, Observation, Report
from watcher.service.receiving import report_of
from watcher.store.store import Store

SNOW = "METAR XNOR 12{}Z 00000KT 0900 SN OVC006 {} Q1017"
TAF = "TAF XNOR 120500Z 1206/1306 VRB03KT 4000 -FZDZ BKN004 TEMPO 1208/1210 0800 SN"


def xml_of(text: str) -> str:
    decoded = decode_report(text, received_at=at("0600"), second_reader=False)
    return observation_xml(decoded) if isinstance(decoded, Observation) else forecast_xml(decoded)


def heard(xml: str, clock: str) -> Report:
    (raw,) = read_iwxxm(xml.encode(), at(clock)).reports
    return report_of(raw, "switch", at(clock))


def test_a_night_of_xml_comes_back_whole(store: Store) -> None:
    night = Night(store)
    night.hear(at("0505"), heard(xml_of(SNOW.format("0450", "M01/M02")), "0505"))
    night.hear(at("0506"), heard(xml_of(TAF).replace("T08:00:00Z", "T08:15:00Z"), "0506"))
    finer = (
        xml_of(SNOW.format("0550", "M01/M02"))
        .replace('"Cel">-1<', '"Cel">0<')
        .replace('uom="[kn_i]">0<', 'uom="m/s">0.3<')
    )
    night.hear(at("0555"), heard(finer, "0555"))
    latest, forecast = night.view.latest, night.view.forecast
    assert latest is not None
    assert forecast is not None
    assert isinstance(latest.decoded, Observation)
    assert isinstance(forecast.decoded, Forecast)
    assert (latest.decoded.temp_c_low, latest.decoded.temp_c_high, latest.decoded.wind_kt) == (-0.5, 0.5, 0.6)
    assert latest.decoded.raw.startswith("METAR XNOR 120550Z ")
    assert latest.decoded.source is not None
    assert forecast.decoded.periods[1].begins_at == at("0815")
    loaded = night.loaded(at("0600"))
    assert stored(loaded) == stored(night.remembered(at("0600")))
    assert loaded.latest == latest
    assert loaded.forecast == forecast


def test_the_reports_of_a_station_show_text_never_xml(store: Store) -> None:
    night = Night(store)
    finer = xml_of(SNOW.format("0550", "M01/M02")).replace('"Cel">-1<', '"Cel">0<')
    night.hear(at("0555"), heard(finer, "0555"))
    (kept,) = store.reports_of("XNOR", at("0500"), at("0600"), limit=5)
    assert kept.report.decoded.raw.endswith("RMK FROM IWXXM ROUNDED")
    assert "<" not in kept.report.decoded.raw


CELSIUS = st.sampled_from(["-2", "0", "-0", "0.0", "-0.4", "1.25"])
METRES_A_SECOND = st.sampled_from(["0", "3", "2.6", "7.25"])


@given(st.lists(st.tuples(CELSIUS, METRES_A_SECOND), min_size=1, max_size=6))
@settings(max_examples=25, deadline=None)
def test_whatever_the_xml_says_a_restart_changes_nothing(reports: list[tuple[str, str]]) -> None:
    with TemporaryDirectory() as folder:
        store = Store.open(database_of_an_example(folder))
        try:
            night = Night(store)
            for index, (celsius, speed) in enumerate(reports):
                now = at("0505") + timedelta(minutes=30 * index)
                xml = xml_of(SNOW.format(f"{now - timedelta(minutes=5):%H%M}", "M01/M09"))
                xml = xml.replace('"Cel">-1<', f'"Cel">{celsius}<').replace('"[kn_i]">0<', f'"m/s">{speed}<')
                night.hear(now, heard(xml, f"{now:%H%M}"))
                assert stored(night.loaded(now)) == stored(night.remembered(now))
        finally:
            store.close()
